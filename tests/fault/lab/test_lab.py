"""Random faults over random sessions in virtual time: whatever goes wrong, what must be true stays true.

The machines at the ports' ends, the disk and the host's clock are the laboratory's; engine, player, log,
spool, writer, closing and audit are the program's own. The rules stand in `lab_rules.py`.
"""

from __future__ import annotations

import json
import time
from collections import Counter
from pathlib import Path

import pytest
from lab_campaign import Count, failures, played_by, report, told
from lab_draw import draw
from lab_rules import RULES

EVERY_RUN = range(1, 25)
#: once broke a rule. Killed as it told a machine that was back, on a rig at rest that was seldom looked at;
#: killed before it had looked for the port into which it had sent the end of a pedal, of a note;
#: the disk full, and desk and engine killed; asleep for 5 s while it followed a clock;
#: a record of the engine at rest dropped, which is no fault of the take;
#: a line through the clocks that ran backward, by which all of the song was due at once
KEPT = (205299, 68289, 270703, 315488, 414408, 443316, 707758, 1111484, 1118030, 1136730)
CAMPAIGN = range(1000, 1500)


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Give the one seed that was asked for, or those of every run."""
    if "seed" in metafunc.fixturenames:
        wanted = metafunc.config.getoption("--lab-seed", default=None)
        metafunc.parametrize("seed", (*EVERY_RUN, *KEPT) if wanted is None else [wanted])


def test_whatever_goes_wrong_no_note_hangs_and_the_record_explains_it(seed: int) -> None:
    """A campaign breaks none of the laboratory's rules; a failure prints the line that runs it again."""
    found = failures(seed)
    assert not found, report(seed, found or [])


def test_a_count_goes_on_from_what_an_earlier_run_wrote(tmp_path: Path) -> None:
    """Blocks add up in order of their seeds, and the file of a run that was ended says where to go on."""
    file, count = tmp_path / "count.json", Count(first=7)
    count.add(Count(7, played=3, unplayable=1, failed=[9], cpu_seconds=0.5, faults=Counter(gone=2)))
    file.write_text(json.dumps(count.to_dict()))
    later = Count.from_file(file)
    later.add(Count(later.next, played=4, cpu_seconds=0.25, faults=Counter(gone=1, late=1)))
    assert (later.first, later.played, later.unplayable, later.next) == (7, 7, 1, 15)
    assert (later.failed, later.cpu_seconds, later.faults) == ([9], 0.75, Counter(gone=3, late=1))
    assert "7 campaigns from seed 7 on" in told(later.to_dict())
    assert "broke a rule: 9." in told(later.to_dict())


def test_blocks_cover_the_seeds_once_and_in_order() -> None:
    """Each seed is played by one block, whatever the number of campaigns, and nothing is begun too late."""
    soon = time.monotonic() + 600
    assert [(c.first, c.played) for c in played_by(1, 3, 4, soon)] == [(3, 4)]
    assert list(played_by(1, 3, 4, time.monotonic() - 1)) == []


def test_a_campaign_follows_from_its_seed_alone() -> None:
    """The same seed draws the same session, faults and acts, so that a failure can be run again."""
    for seed in range(50):
        assert draw(seed) == draw(seed)


def test_the_campaigns_meet_every_kind_of_fault() -> None:
    """Among the five hundred of `.ci/run` each kind of fault is drawn ten times, and some have none."""
    campaigns = [draw(seed) for seed in CAMPAIGN]
    kinds = [fault.kind for campaign in campaigns for fault in campaign.faults]
    assert len(set(kinds)) == 16
    assert min(kinds.count(kind) for kind in set(kinds)) >= 10
    assert any(not campaign.faults for campaign in campaigns)
    assert sum(bool(campaign.master) for campaign in campaigns) > 50  # and some follow another machine


def test_each_rule_says_what_it_holds() -> None:
    """A rule has a sentence, for it is what a failure is read by."""
    assert all(rule.__doc__ and rule.__doc__.endswith(".") for rule in RULES)
