"""What rolls when: the running order, where in it we are, and what each order means just now. Pure.

The show is told of orders and of what became of takes; it answers with directives, which the desk carries
out. It reads no clock (`now_ns` is given) and knows neither ports nor files. An order that makes no sense in
a phase is refused with the reason, and never kept for later; `phases.ALLOWED` is the table.
"""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass, replace

from runner.desk.actions import Order, Outcome
from runner.desk.phases import ALLOWED, REST, WHY_NOT, Directive, Do, Mode, Phase
from runner.desk.places import Place
from runner.desk.series import Series
from runner.music.rehearsal import AS_IT_STANDS, Rehearsal

SECOND_NS = 1_000_000_000
_STILL_SENT = "programs, controllers, clock and transport still go, so that all is right afterwards"


@dataclass(slots=True)
class Show:
    """The show from its first place to its last. `at` is the index of the place that is up."""

    places: tuple[Place, ...]
    songs: tuple[str, ...]
    mode: Mode
    gap_ns: int = SECOND_NS
    machines: tuple[str, ...] = ()
    follows: bool = False  #: whether another machine's Start begins each take
    at: int = 0
    done: int = 0
    clean: int = 0
    phase: Phase = Phase.STANDING
    roll_at_ns: int | None = None
    waiting_for: str = ""
    playing: tuple[Place, ...] = ()
    last_song: str = ""
    last_rehearsal: Rehearsal = AS_IT_STANDS  #: how it was played
    series: Series | None = None  #: takes of one song that roll by themselves, beside the order
    changed: bool = False  #: whether the order is another than the session's
    _chosen: bool = False  #: whether the place that is up was chosen while another rolls
    _stopped: bool = False  #: whether the take that ends was stopped by an order
    _called: tuple[Place, ...] = ()  #: what was up when the roll was called that has not begun
    _of_series: bool = False  #: whether the take that rolls belongs to a series, not to the order

    # ------------------------------------------------------------------ where we are

    @property
    def up(self) -> Place:
        """The place that rolls next."""
        if self.series is not None:
            return Place(self.series.song, "wait", self.place_number, self.series.number, self.series.takes)
        return self.places[min(self.at, len(self.places) - 1)]

    @property
    def place_number(self) -> int:
        """The number of the place in the order that is up, or comes after a series."""
        return self.places[min(self.at, len(self.places) - 1)].number

    @property
    def chain(self) -> tuple[Place, ...]:
        """The places that are rolled as one, the clock unbroken: mostly one; none at the end."""
        if self.series is not None:
            return (self.up,)
        if self.at >= len(self.places):
            return ()
        last = self.at
        while self.places[last].between == "straight-on" and last + 1 < len(self.places):
            last += 1
        return self.places[self.at : last + 1]

    def place_of(self, number: int) -> int:
        """Return the number in the order of the song that plays, or is up; `number`: in its chain, from 0."""
        return self.playing[min(number, len(self.playing) - 1)].number if self.playing else self.up.number

    def song_after(self, number: int) -> str:
        """Return the song that comes after song `number`, from 0, of those that play straight on."""
        return self.playing[number + 1].song if number + 1 < len(self.playing) else self.next_song

    @property
    def next_song(self) -> str:
        """The song that comes after those that play, or that is up; empty after the last."""
        if self.playing and self.series is not None:
            return self.series.song
        at = self.at if self.playing or self.series is not None else self.at + 1
        return self.places[at].song if at < len(self.places) else ""

    # ------------------------------------------------------------------ what happens by itself

    def begin(self, now_ns: int) -> list[Directive]:
        """The rig is ready: take up the show where it is."""
        if self.phase not in REST:
            return []
        if self.mode is Mode.STAY and self.series is None:
            return self._stand("roll")
        gap_ns = 0 if self.series is None else self.series.gap_ns  # a series is gone on with
        self.phase, self.roll_at_ns = Phase.DUE, now_ns + gap_ns
        return self.tick(now_ns)

    def tick(self, now_ns: int) -> list[Directive]:
        """Roll what is due to roll by itself."""
        if self.phase is not Phase.DUE or self.roll_at_ns is None or now_ns < self.roll_at_ns:
            return []
        return self._call()

    def begun(self) -> None:
        """A take has begun to roll; what comes after it is up from now on."""
        if self.phase is Phase.ROLLING:
            return
        if not self._called:  # it was called by a desk that died
            self._note_call()
        self.playing, self._called = self._called, ()
        self.last_song, self.last_rehearsal = self.playing[0].song, AS_IT_STANDS
        if self._of_series:
            if self.series is not None:
                self.last_rehearsal, self.series = self.series.rehearsal, self.series.begun()
        elif not self._chosen:
            self.at += len(self.playing)
        self.phase, self.roll_at_ns, self.waiting_for = Phase.ROLLING, None, ""

    def refused(self, why: str) -> list[Directive]:
        """A roll that was called could not be; the show stands, or is over if nobody is there to help."""
        self.phase, self.series, self._called = Phase.STANDING, None, ()
        self.waiting_for = why
        return [] if self.mode is Mode.STAY else [Directive(Do.LEAVE, why)]

    def rig_fell_silent(self) -> list[Directive]:
        """The engine died: what was due or to follow stands. A run through takes alone goes on."""
        if self.mode is Mode.STAY and self.phase in REST and (self.phase is Phase.DUE or self.series):
            return self._stand("roll")  # a series that rests was taken over from a desk that died
        if self.mode is Mode.STAY and self.phase in (Phase.ROLLING, Phase.CLOSING):
            self._stopped, self.series, self.roll_at_ns = True, None, None
        return []

    def later(self, at_ns: int) -> None:
        """A roll that was called cannot be yet; it is due again at `at_ns`."""
        self.phase, self.roll_at_ns = Phase.DUE, at_ns

    def ended(self, outcome: str) -> None:
        """The take that rolls has ended: "complete", "stopped" or "failed"."""
        self.phase = Phase.CLOSING
        whole = outcome == "complete" or (self.mode is not Mode.STAY and not self._stopped)
        in_order = self.playing and not self._of_series
        if not whole and not self._chosen and self.mode is not Mode.SONG and in_order:
            self.at -= len(self.playing)  # to be played once more

    def closed(self, verdict: str, now_ns: int) -> list[Directive]:
        """The record of the take is closed: go on as the order says."""
        last, self.playing = self.playing, ()
        self.done += 1
        self.clean += verdict == "clean"
        self.phase = Phase.STANDING
        if self.roll_at_ns is not None:  # ordered while the take was being closed
            return self._call()
        if self._of_series:
            return self._after_series_take(now_ns)
        if self.at >= len(self.places):
            if self.mode is not Mode.STAY:
                return [Directive(Do.LEAVE)]
            self.at = 0
            return self._stand("roll: the running order is at its end, and begins again")
        if self._stopped:
            return self._stand("roll")
        between = last[-1].between if last and not self._chosen else None
        if between == "wait" or (between is None and self.mode is Mode.STAY):
            return self._stand("roll")
        gap = between if isinstance(between, int) else self.gap_ns
        self.phase, self.roll_at_ns = Phase.DUE, now_ns + gap
        return [Directive(Do.PREPARE)]

    def _after_series_take(self, now_ns: int) -> list[Directive]:
        at_ns = None if self.series is None else self.series.next_at_ns(now_ns)
        if at_ns is None:
            return self._stand("roll")
        self.phase, self.roll_at_ns = Phase.DUE, at_ns
        return [Directive(Do.PREPARE)]

    # ------------------------------------------------------------------ orders

    @property
    def rehearsal(self) -> Rehearsal:
        """How the song that is up is to be played, beside what holds for the whole run."""
        return AS_IT_STANDS if self.series is None else self.series.rehearsal

    def rehearse(self, song: str, rehearsal: Rehearsal) -> tuple[Outcome, list[Directive]]:
        """Roll one take of a song as a rehearsal asks; the running order stays where it is."""
        if song not in self.songs:
            return _no(f"no song {song!r}; {_near(song, self.songs)}")
        series = Series(song, 1, 1, 0, None, rehearsal)
        if self.phase is Phase.CLOSING:
            self.series, self.roll_at_ns = series, 0
            return _yes(f"{song} rolls as soon as the last take is closed: {rehearsal.text}")
        self.series = series
        return _yes(f"{song} rolls: {rehearsal.text}", *self._call())

    def begin_series(
        self, song: str, takes: int = 1, gap_ns: int = 0, until_ns: int | None = None
    ) -> tuple[Outcome, list[Directive]]:
        """Roll `takes` takes of a song, `gap_ns` between them, none begun after `until_ns`.

        The running order stays where it is. Refused unless the show rests: what rolls, or is about to, is
        never disturbed. `stop`, `panic` and whatever brings another song up end the series.
        """
        if self.phase is not Phase.STANDING or self.series is not None:
            why = f"{self.up} rolls by itself soon" if self.phase is Phase.DUE else WHY_NOT[self.phase]
            return _no(f"{song}: not now, {why}")
        if song not in self.songs:
            return _no(f"no song {song!r}; {_near(song, self.songs)}")
        self.series = Series(song, takes, takes, gap_ns, until_ns)
        return _yes(f"{self.up} rolls", *self._call())

    def order(self, order: Order, now_ns: int) -> tuple[Outcome, list[Directive]]:
        """Return what becomes of an order, and what is to be done for it."""
        allowed = ALLOWED.get(order.word, ())
        if self.phase not in allowed:
            return _no(f"{order}: not now, {WHY_NOT[self.phase]}")
        if not order.rehearsal.is_plain:
            return self.rehearse(order.name or self.up.song, order.rehearsal)
        obey = getattr(self, f"_{order.word}")
        result: tuple[Outcome, list[Directive]] = obey(order.name, now_ns)
        return result

    def _roll(self, name: str, _now_ns: int) -> tuple[Outcome, list[Directive]]:
        if name:
            outcome, _ = self._song(name, 0)
            if not outcome.done:
                return outcome, []
        if self.phase is Phase.CLOSING:
            self.roll_at_ns = 0
            return _yes(f"{self.up} rolls as soon as the last take is closed")
        text = f"{self.up} is armed: it waits for the other machine's start" if self.follows else ""
        return _yes(text or f"{self.up} rolls", *self._call())

    def _again(self, _name: str, now_ns: int) -> tuple[Outcome, list[Directive]]:
        if not self.last_song:
            return _no("again: nothing has been rolled yet")
        if not self.last_rehearsal.is_plain:
            return self.rehearse(self.last_song, self.last_rehearsal)
        if self.mode is Mode.SONG:
            self.at = min(self.at, len(self.places) - 1)
            return self._roll("", now_ns)
        # the place that was played, not one of the same song further on: those between would be left out
        behind = range(min(self.at, len(self.places) - 1), -1, -1)
        played = next((index for index in behind if self.places[index].song == self.last_song), None)
        if played is None:
            return self._roll(self.last_song, now_ns)
        self._choose(played, "")
        return self._roll("", now_ns)

    def _arm(self, _name: str, now_ns: int) -> tuple[Outcome, list[Directive]]:
        if self.follows:
            return self._roll("", now_ns)
        self._stand("roll")
        return _yes(f"{self.up} is up: its programs are sent, it waits for roll", Directive(Do.PREPARE))

    def _stop(self, _name: str, _now_ns: int) -> tuple[Outcome, list[Directive]]:
        if self.phase is Phase.DUE:
            return _yes(f"{self.up} does not roll by itself any more", *self._stand("roll"))
        self._stopped, self.series = True, None
        return _yes("stopped", Directive(Do.STOP, "stopped by order"))

    def _panic(self, _name: str, _now_ns: int) -> tuple[Outcome, list[Directive]]:
        if self.phase is Phase.ROLLING:
            self._stopped, self.series = True, None
        elif self.phase is Phase.DUE:
            self._stand("roll")
        return _yes("everything is silenced", Directive(Do.PANIC, "panic"))

    def _go(self, _name: str, now_ns: int) -> tuple[Outcome, list[Directive]]:
        if self.phase is Phase.ROLLING:
            return _yes("the hold ends at its next seam", Directive(Do.GO))
        if self.mode is not Mode.STAY or self.done:
            return self._roll("", now_ns)
        return _no("go: no hold plays, and no song has been played that another follows; give roll")

    def _mark(self, text: str, _now_ns: int) -> tuple[Outcome, list[Directive]]:
        return _yes("marked", Directive(Do.MARK, text))

    def _keep(self, _name: str, _now_ns: int) -> tuple[Outcome, list[Directive]]:
        return _yes("the take is to be kept", Directive(Do.RATE, "keep"))

    def _discard(self, _name: str, _now_ns: int) -> tuple[Outcome, list[Directive]]:
        return _yes("the take is to be discarded", Directive(Do.RATE, "discard"))

    def _check(self, _name: str, _now_ns: int) -> tuple[Outcome, list[Directive]]:
        return _yes("", Directive(Do.CHECK))

    def _reload(self, _name: str, _now_ns: int) -> tuple[Outcome, list[Directive]]:
        return _yes("", Directive(Do.RELOAD))

    def _quit(self, _name: str, _now_ns: int) -> tuple[Outcome, list[Directive]]:
        return _yes("the run ends", Directive(Do.LEAVE, "quit"))

    def _mute(self, name: str, _now_ns: int) -> tuple[Outcome, list[Directive]]:
        return self._on_machine(Do.MUTE, name, f"is muted: no notes, of parts or cues; {_STILL_SENT}")

    def _unmute(self, name: str, _now_ns: int) -> tuple[Outcome, list[Directive]]:
        return self._on_machine(Do.UNMUTE, name, "is heard again")

    def _solo(self, name: str, _now_ns: int) -> tuple[Outcome, list[Directive]]:
        return self._on_machine(Do.SOLO, name, f"is heard alone: no notes to the others; {_STILL_SENT}")

    def _on_machine(self, do: Do, name: str, text: str) -> tuple[Outcome, list[Directive]]:
        if name not in self.machines:
            return _no(f"no machine {name!r}; {_near(name, self.machines)}")
        return _yes(f"{name} {text}", Directive(do, name))

    # ------------------------------------------------------------------ the running order

    def _next(self, _name: str, _now_ns: int) -> tuple[Outcome, list[Directive]]:
        return self._choose(self.at + 1, "next: that was the last place of the running order")

    def _previous(self, _name: str, _now_ns: int) -> tuple[Outcome, list[Directive]]:
        return self._choose(self.at - 1, "previous: that was the first place of the running order")

    def _place(self, name: str, _now_ns: int) -> tuple[Outcome, list[Directive]]:
        numbers = [place.number for place in self.places]
        if not name.isascii() or not name.isdigit() or int(name) not in numbers:
            return _no(f"no place {name!r}; the running order has places 1 to {numbers[-1]}")
        return self._choose(numbers.index(int(name)), "")

    def _song(self, name: str, _now_ns: int) -> tuple[Outcome, list[Directive]]:
        """Bring a song up: where it comes next in the order, or else anywhere, or else as a guest."""
        if name not in self.songs:
            return _no(f"no song {name!r}; {_near(name, self.songs)}")
        onward = [*range(self.at, len(self.places)), *range(min(self.at, len(self.places)))]
        found = next((index for index in onward if self.places[index].song == name), None)
        if found is None:
            guest = Place(name, "wait", self.up.number)
            self.places = (*self.places[: self.at], guest, *self.places[self.at :])
            found = self.at
            self.changed = True
        return self._choose(found, "")

    def _order(self, text: str, _now_ns: int) -> tuple[Outcome, list[Directive]]:
        """Play these songs from now on, in this order; a song that rolls is played to its end."""
        names = [name.strip() for name in text.split(",") if name.strip()]
        for name in names:
            if name not in self.songs:
                return _no(f"no song {name!r}; {_near(name, self.songs)}")
        if not names:
            return _no("order: name the songs, with commas between")
        known = {place.song: place.between for place in reversed(self.places)}
        self.places = tuple(Place(name, known.get(name), at) for at, name in enumerate(names, 1))
        self.changed = True
        return self._choose(0, "")

    def _choose(self, index: int, too_far: str) -> tuple[Outcome, list[Directive]]:
        if not 0 <= index < len(self.places):
            return _no(too_far)
        self.at, self.series = index, None
        if self.phase in (Phase.ROLLING, Phase.CLOSING, Phase.CALLED):
            self._chosen = True
            on = (self.playing or self._called)[1:]
            return _yes(f"{self.up} comes next" + (f", after {on[-1]}, which goes straight on" if on else ""))
        return _yes(f"{self.up} is up", *self._stand("roll"))

    @property
    def changed_order(self) -> tuple[Place, ...]:
        """The places of the order as it was changed on the way; none if it is the session's."""
        return self.places if self.changed else ()

    @property
    def place_to_resume(self) -> int:
        """Where a show that takes over now would have to be: before what rolls, if anything does."""
        rolling = self.phase in (Phase.ROLLING, Phase.CLOSING) and not self._chosen and not self._of_series
        return max(0, self.at - len(self.playing)) if rolling else self.at

    @property
    def series_to_resume(self) -> Series | None:
        """What a show that takes over now would have to know of a series: with the take that rolls."""
        if self.phase not in (Phase.ROLLING, Phase.CLOSING) or not self._of_series:
            return self.series
        left = self.series or Series(
            self.playing[0].song, self.playing[0].rounds, 0, 0, None, self.last_rehearsal
        )
        return replace(left, left=left.left + 1)

    def with_session(self, places: Sequence[Place], songs: Sequence[str], machines: Sequence[str]) -> Show:
        """Return this show going on with another version of its session, at the same song if it is there."""
        song = self.up.song
        at = next((index for index, place in enumerate(places) if place.song == song), 0)
        show = replace(
            self,
            places=tuple(places),
            songs=tuple(songs),
            machines=tuple(machines),
            at=at,
            playing=(),
            changed=False,
        )
        if show.series is not None and show.series.song not in songs:
            show._stand("roll")
        return show

    # ------------------------------------------------------------------ inside

    def _stand(self, what: str) -> list[Directive]:
        self.phase, self.roll_at_ns, self.waiting_for = Phase.STANDING, None, what
        self.series = None
        return [Directive(Do.PREPARE)]

    def _call(self) -> list[Directive]:
        if self.at >= len(self.places):
            self.at = 0
        self.phase, self.roll_at_ns, self.waiting_for = Phase.CALLED, None, ""
        self._note_call()
        return [Directive(Do.ROLL)]

    def _note_call(self) -> None:
        """Keep what is to roll: what is chosen from now on comes after it."""
        self._called, self._of_series = self.chain or (self.up,), self.series is not None
        self._chosen = self._stopped = False


def _yes(text: str, *directives: Directive) -> tuple[Outcome, list[Directive]]:
    return Outcome(True, text), list(directives)


def _no(text: str) -> tuple[Outcome, list[Directive]]:
    return Outcome(False, text), []


def _near(name: str, known: Sequence[str]) -> str:
    near = difflib.get_close_matches(name, known, n=2, cutoff=0.5)
    return f"did you mean {' or '.join(near)}?" if near else f"there are {', '.join(known)}"
