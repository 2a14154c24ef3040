"""Which takes of a list are meant, and in which order. Pure: entries in, entries out."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, time, timedelta, tzinfo
from fnmatch import fnmatchcase

from runner.takes.index import TakeEntry

#: from best to worst; a take that is still open, or whose take.json cannot be read, comes last
VERDICTS = ("clean", "flawed", "interrupted", "failed", "open", "damaged")
SORTS: Mapping[str, Callable[[TakeEntry], tuple[object, ...]]] = {
    "date": lambda entry: (entry.started_at, entry.path),
    "song": lambda entry: (entry.song.casefold(), entry.pass_name.casefold(), entry.number),
    "pass": lambda entry: (entry.pass_name.casefold(), entry.song.casefold(), entry.number),
    "take": lambda entry: (entry.number, entry.song.casefold()),
    "verdict": lambda entry: (_rank(entry.verdict), entry.started_at),
    "length": lambda entry: (entry.seconds, entry.started_at),
    "findings": lambda entry: (len(entry.codes), entry.started_at),
}


@dataclass(frozen=True, slots=True)
class TakeFilter:
    """What a take must be like; what is empty asks for nothing.

    Names and codes are compared without regard to letter case, and may hold ``*`` and ``?``. Of
    `verdicts` and `codes` any one is enough. `since` and `until` are aware moments, the first within, the
    second not; a take of unknown date is outside of both. `rating` is ``keep``, ``discard`` or ``none``.
    """

    session: str = ""
    song: str = ""
    pass_name: str = ""
    verdicts: tuple[str, ...] = ()
    codes: tuple[str, ...] = ()
    rating: str = ""
    since: datetime | None = None
    until: datetime | None = None

    def fits(self, entry: TakeEntry) -> bool:
        """Return whether a take is meant."""
        return (
            _like(entry.session, self.session)
            and _like(entry.song, self.song)
            and _like(entry.pass_name, self.pass_name)
            and (not self.verdicts or entry.verdict in self.verdicts)
            and (not self.codes or any(_like(code, wanted) for code in entry.codes for wanted in self.codes))
            and (not self.rating or (entry.rating or "none") == self.rating)
            and self._in_time(entry.started_at)
        )

    def _in_time(self, started_at: str) -> bool:
        if self.since is None and self.until is None:
            return True
        try:
            moment = datetime.fromisoformat(started_at)
        except ValueError:
            return False
        if moment.tzinfo is None:
            return False
        return (self.since is None or moment >= self.since) and (self.until is None or moment < self.until)


def chosen(entries: Iterable[TakeEntry], wanted: TakeFilter) -> list[TakeEntry]:
    """Return the takes that fit, in the order given."""
    return [entry for entry in entries if wanted.fits(entry)]


def in_order(entries: Iterable[TakeEntry], sort: str, *, reverse: bool = False) -> list[TakeEntry]:
    """Return takes session by session (the one with the oldest take first), sorted by a key of `SORTS`."""
    by_session: dict[str, list[TakeEntry]] = {}
    for entry in sorted(entries, key=SORTS["date"]):
        by_session.setdefault(entry.session, []).append(entry)
    groups = list(by_session.values())
    if sort == "date":  # evenings of two sessions may alternate: that is the order in which they were
        groups = [sorted((entry for group in groups for entry in group), key=SORTS["date"])]
    ordered = [entry for group in groups for entry in sorted(group, key=SORTS[sort])]
    return ordered[::-1] if reverse else ordered


def moment_of(text: str, zone: tzinfo | None = None, *, end: bool = False) -> datetime:
    """Return a date or a date with time as an aware moment; `ValueError` if it is none.

    `zone` is that of a moment that names none; without it, this computer's. With `end` a date alone means
    the end of that day, so that "until" a day takes in the day.
    """
    moment = datetime.fromisoformat(text)
    if len(text) <= len("2026-05-04"):
        moment = datetime.combine(moment.date() + timedelta(days=1 if end else 0), time())
    if moment.tzinfo is not None:
        return moment
    return moment.replace(tzinfo=zone) if zone is not None else moment.astimezone()


def _like(name: str, pattern: str) -> bool:
    return not pattern or fnmatchcase(name.casefold(), pattern.casefold())


def _rank(verdict: str) -> int:
    return VERDICTS.index(verdict) if verdict in VERDICTS else len(VERDICTS)
