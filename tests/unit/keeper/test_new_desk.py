"""What a desk that is started again is told by the keeper at once."""

from __future__ import annotations

import json
import os

import pytest

from runner.desk.job import Job
from runner.keeper.keeper import Keeper
from runner.keeper.notify import Notifier


@pytest.mark.parametrize("trouble", ["the engine process dies again and again", ""])
def test_a_new_desk_is_told_what_is_wrong_with_the_daemon(
    monkeypatch: pytest.MonkeyPatch, trouble: str
) -> None:
    """The dead one had read it out of the pipe: without it the next would let songs be ordered."""
    monkeypatch.setattr(Keeper, "_start_desk", lambda _keeper: None)
    keeper = Keeper(Job("gig.yaml", "0"), lambda _report: None, Notifier({}))
    order = keeper._pipes.control[0]
    os.set_blocking(order, False)
    try:
        keeper._trouble(trouble)
        os.read(order, 4096)
        keeper._start_due()
        if trouble:
            assert json.loads(os.read(order, 4096)) == {"do": "trouble", "text": trouble}
        else:
            with pytest.raises(BlockingIOError):
                os.read(order, 4096)
    finally:
        keeper._pipes.close()
