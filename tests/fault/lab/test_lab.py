"""Random faults over random sessions in virtual time: whatever goes wrong, what must be true stays true.

The machines at the ports' ends, the disk and the host's clock are the laboratory's; engine, player, log,
spool, writer, closing and audit are the program's own. The rules stand in `lab_rules.py`.
"""

from __future__ import annotations

import pytest
from lab_campaign import failures, report
from lab_draw import draw
from lab_rules import RULES

EVERY_RUN = range(1, 25)
CAMPAIGN = range(1000, 1500)
BLOCK = 25


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Give the one seed that was asked for, or those of every run."""
    if "seed" in metafunc.fixturenames:
        wanted = metafunc.config.getoption("--lab-seed", default=None)
        metafunc.parametrize("seed", EVERY_RUN if wanted is None else [wanted])


def test_whatever_goes_wrong_no_note_hangs_and_the_record_explains_it(seed: int) -> None:
    """A campaign breaks none of the laboratory's rules; a failure prints the line that runs it again."""
    found = failures(seed)
    assert not found, report(seed, found or [])


@pytest.mark.campaign
@pytest.mark.parametrize("first", range(CAMPAIGN.start, CAMPAIGN.stop, BLOCK))
def test_five_hundred_campaigns(first: int) -> None:
    """Block by block: every campaign breaks none of the rules."""
    for seed in range(first, first + BLOCK):
        found = failures(seed)
        assert not found, report(seed, found or [])


def test_a_campaign_follows_from_its_seed_alone() -> None:
    """The same seed draws the same session, faults and acts, so that a failure can be run again."""
    for seed in range(50):
        assert draw(seed) == draw(seed)


def test_the_campaigns_meet_every_kind_of_fault() -> None:
    """Among the five hundred each kind of fault is drawn ten times and more, and some have none."""
    campaigns = [draw(seed) for seed in CAMPAIGN]
    kinds = [fault.kind for campaign in campaigns for fault in campaign.faults]
    assert len(set(kinds)) == 16
    assert min(kinds.count(kind) for kind in set(kinds)) >= 10
    assert any(not campaign.faults for campaign in campaigns)
    assert sum(bool(campaign.master) for campaign in campaigns) > 50  # and some follow another machine


def test_each_rule_says_what_it_holds() -> None:
    """A rule has a sentence, for it is what a failure is read by."""
    assert all(rule.__doc__ and rule.__doc__.endswith(".") for rule in RULES)
