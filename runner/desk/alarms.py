"""The alarms of a run: what a person should see to, what ends each, and how they outlive a desk. Pure."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import astuple, dataclass, field
from typing import Any, Self

from runner.desk.status import Alarm

ALARMS_KEPT = 8


def _none() -> deque[Alarm]:
    return deque(maxlen=ALARMS_KEPT)


@dataclass(slots=True)
class Alarms:
    """The alarms that hold, the newest last. One that nothing here ends is ended by whoever lit it."""

    _lit: deque[Alarm] = field(default_factory=_none)
    _of_take: set[str] = field(default_factory=set)  #: those that the take that rolls has given
    _of_folder: dict[str, bool] = field(default_factory=dict)  #: of the folder; whether a take went elsewhere
    _of_log: set[str] = field(default_factory=set)  #: those that a log that stands still has given
    _log_trouble: str = ""  #: what was last heard of the log

    def __iter__(self) -> Iterator[Alarm]:
        return iter(self._lit)

    def __len__(self) -> int:
        return len(self._lit)

    def light(self, utc: str, severity: str, text: str, *, of_take: bool = False) -> None:
        """Note something that a person should see to; what is said again is only said anew.

        With `of_take` it ends when the next take begins.
        """
        self.put_out(text)
        self._lit.append(Alarm(utc, severity, text))
        if of_take:
            self._of_take.add(text)

    def put_out(self, text: str) -> None:
        """An alarm is over."""
        self._lit = deque((alarm for alarm in self._lit if alarm.text != text), maxlen=ALARMS_KEPT)

    def begin_take(self) -> None:
        """A take begins: what was said of the one before is past."""
        for text in self._of_take:
            self.put_out(text)
        self._of_take.clear()

    def see_folder(self, utc: str, closed: str = "", elsewhere: str = "", short: str = "") -> None:
        """Light the alarm of a takes folder that takes nothing, or end it: a take is in its place again.

        `closed` says why nothing can be written, `short` that there is little room, `elsewhere` where a take
        went instead. That one stays, as a warning, for somebody has to look for that take.
        """
        for text, stays in self._of_folder.items():
            if stays:
                self.light(utc, "warning", text)
            else:
                self.put_out(text)
        seen = ((closed, False), (elsewhere, True), (short, False))
        self._of_folder = {text: stays for text, stays in seen if text}
        for text in self._of_folder:
            self.light(utc, "error", text)

    def see_log(self, utc: str, trouble: str, *, writing: bool) -> str:
        """Light the alarm of the record, or put it out once a record is written again; return what is news.

        A take that ends with its log still stopped puts nothing out: nobody knows yet that the disk is well.
        """
        before, self._log_trouble = self._log_trouble, trouble
        if trouble and trouble != before:
            text = f"the take's log has stopped: {trouble}"
            self.light(utc, "error", text)
            self._of_log.add(text)
            return f"the take's log has stopped, the music goes on: {trouble}"
        if trouble or not writing or not self._of_log:
            return ""
        for text in self._of_log:
            self.put_out(text)
        self._of_log.clear()
        return "the take's log goes on"

    def to_dict(self, without: str = "") -> dict[str, Any]:
        """Return plain data for the next desk; the alarm `without` is left out."""
        return {
            "lit": [list(astuple(alarm)) for alarm in self._lit if alarm.text != without],
            "of_take": sorted(self._of_take),
            "of_folder": self._of_folder,
            "of_log": sorted(self._of_log),
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Self:
        """Return what `to_dict` gave; no alarms of an empty mapping."""
        taken = cls(
            _of_take=set(data.get("of_take", ())),
            _of_folder=dict(data.get("of_folder", {})),
            _of_log=set(data.get("of_log", ())),
        )
        taken._lit.extend(Alarm(*row) for row in data.get("lit", ()))
        return taken
