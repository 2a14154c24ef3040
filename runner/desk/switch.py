"""One footswitch or key: what its presses and releases mean, in time. Pure.

Raw levels go through a debouncer: a change is taken at once unless the last one was less than `debounce_ns`
ago; then the level is looked at again when that time is over. So a press is never late, a bouncing contact
gives one press, and a short tap is still let go.

A press is told at once where nothing else is wanted of the switch. Where `long` is wanted too, it is told
when the switch is let go before that time; where `double` is wanted too, when the time for a second press
is over. Of press, double and long, one press gives one; `release` is told of every release.
"""

from __future__ import annotations

from dataclasses import dataclass

from runner.desk.actions import Order

Orders = tuple[Order, ...]


@dataclass(frozen=True, slots=True)
class Wants:
    """What is wanted of one switch; `longs` are times held, in ns, with their orders, shortest first."""

    press: Orders = ()
    release: Orders = ()
    double: Orders = ()
    longs: tuple[tuple[int, Orders], ...] = ()
    debounce_ns: int = 0
    double_within_ns: int = 0


class Switch:
    """The state of one switch. Times are monotonic ns; one that goes backwards is taken for the last one."""

    __slots__ = (
        "_changed_ns", "_first_ns", "_held_ns", "_last_ns", "_longs_done", "_pending", "_pressed", "_raw",
        "_wants",
    )  # fmt: skip

    def __init__(self, wants: Wants) -> None:
        self._wants = wants
        self._last_ns: int | None = None
        self.forget()

    def forget(self) -> None:
        """Take it for let go, and forget what it was about to tell; nothing is ordered."""
        self._raw = False  #: the level as it came
        self._pressed = False  #: the level as it is believed
        self._changed_ns: int | None = None  #: when it was last believed to change
        self._held_ns: int | None = None  #: since when it is held, while that can still become a long press
        self._longs_done = 0
        self._first_ns: int | None = None  #: the press that a second one could make a double
        self._pending = False  #: whether the single press has not been told yet

    @property
    def pressed(self) -> bool:
        """Whether it is held down, the contact's bouncing left out."""
        return self._pressed

    @property
    def next_deadline_ns(self) -> int | None:
        """When it has something to decide without any message; None if it waits for one."""
        times = [time for time in (self._window_ns(), self._long_ns(), self._settle_ns()) if time is not None]
        return min(times) if times else None

    def level(self, pressed: bool, t_ns: int) -> list[Order]:
        """Take a level as it came at `t_ns`; return what it orders."""
        t_ns = self._at(t_ns)
        orders = self.due(t_ns)
        self._raw = pressed
        if pressed != self._pressed and not self._bouncing(t_ns):
            orders += self._change(pressed, t_ns)
        return orders

    def hit(self, t_ns: int) -> list[Order]:
        """Take a press of a switch that says nothing when it is let go; return what it orders."""
        t_ns = self._at(t_ns)
        orders = self.due(t_ns)
        if self._bouncing(t_ns):
            return orders
        self._changed_ns = t_ns
        orders += self._press(t_ns)
        self._held_ns = None
        return orders + self._told_late()

    def due(self, now_ns: int) -> list[Order]:
        """Return what is ordered by the mere passing of time until `now_ns`."""
        orders: list[Order] = []
        while True:
            deadline_ns = self.next_deadline_ns
            if deadline_ns is None or deadline_ns > now_ns:
                return orders
            if deadline_ns == self._window_ns():
                self._first_ns = None
                orders += self._told_late()
            elif deadline_ns == self._long_ns():
                orders += self._wants.longs[self._longs_done][1]
                self._longs_done += 1
                self._first_ns, self._pending = None, False
            else:
                orders += self._change(self._raw, deadline_ns)

    # ------------------------------------------------------------------ deadlines

    def _at(self, t_ns: int) -> int:
        self._last_ns = t_ns if self._last_ns is None else max(t_ns, self._last_ns)
        return self._last_ns

    def _bouncing(self, t_ns: int) -> bool:
        return self._changed_ns is not None and t_ns - self._changed_ns < self._wants.debounce_ns

    def _window_ns(self) -> int | None:
        return None if self._first_ns is None else self._first_ns + self._wants.double_within_ns

    def _long_ns(self) -> int | None:
        if self._held_ns is None or self._longs_done >= len(self._wants.longs):
            return None
        return self._held_ns + self._wants.longs[self._longs_done][0]

    def _settle_ns(self) -> int | None:
        if self._raw == self._pressed or self._changed_ns is None:
            return None
        return self._changed_ns + self._wants.debounce_ns

    # ------------------------------------------------------------------ what is believed

    def _change(self, pressed: bool, t_ns: int) -> list[Order]:
        self._pressed, self._changed_ns = pressed, t_ns
        return self._press(t_ns) if pressed else self._release()

    def _press(self, t_ns: int) -> list[Order]:
        wants = self._wants
        if self._first_ns is not None:  # the time for a second press is not over, or it would be None
            self._first_ns, self._pending, self._held_ns = None, False, None
            return list(wants.double)
        self._held_ns, self._longs_done = t_ns, 0
        if wants.double and wants.double_within_ns:
            self._first_ns = t_ns
        if self._first_ns is None and not wants.longs:
            return list(wants.press)
        self._pending = True
        return []

    def _release(self) -> list[Order]:
        self._held_ns = None
        return [*self._told_late(), *self._wants.release]

    def _told_late(self) -> list[Order]:
        """Return the single press, if it waited and nothing else can become of it any more."""
        could_be_long = self._held_ns is not None and bool(self._wants.longs)
        if not self._pending or self._first_ns is not None or could_be_long:
            return []
        self._pending = False
        return list(self._wants.press)
