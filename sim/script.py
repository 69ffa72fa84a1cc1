"""What happens during a drive: switch presses, pedal taps, lost and forced signals, by time or by road speed."""

from __future__ import annotations

from typing import NamedTuple

from sim.drives import Drive, DriveEvent


class Effects(NamedTuple):
    """What is in force now; pedals and gear limit act on the plant, the rest on what the rules see."""

    band: int
    ignition: int
    throttle_add: float
    brake: float
    gear_limit: int
    lost: tuple[str, ...]
    forced: dict[str, int]


NO_GEAR_LIMIT = 99
START = Effects(0, 1, 0.0, 0.0, NO_GEAR_LIMIT, (), {})


class Script:
    """Follows a drive's events. Each fires once; one tied to a speed fires at the first crossing."""

    def __init__(self, drive: Drive) -> None:
        timed = [event for event in drive.events if event.at_s is not None]
        self._timed = sorted(timed, key=lambda event: event.at_s or 0.0)
        self._by_speed = [event for event in drive.events if event.at_speed_kmh is not None]
        self._next = 0
        self._passing: list[tuple[float, DriveEvent]] = []
        self._last_kmh = 0.0
        self._change_s = self._timed[0].at_s if self._timed else None
        self._band, self._ignition = START.band, START.ignition
        self._lasting: list[DriveEvent] = []
        self.effects = START

    def tick(self, now_s: float, speed_kmh: float) -> Effects:
        """Return what is in force at this time and road speed."""
        changed = False
        if self._change_s is not None and now_s >= self._change_s - 1e-6:
            changed = True
            while self._next < len(self._timed) and now_s >= (self._timed[self._next].at_s or 0.0) - 1e-6:
                self._fire(now_s, self._timed[self._next])
                self._next += 1
        for event in self._by_speed:
            at = event.at_speed_kmh or 0.0
            crossed = self._last_kmh < at <= speed_kmh if event.rising else self._last_kmh >= at > speed_kmh
            if crossed and now_s >= event.after_s - 1e-6:
                changed = True
                self._fire(now_s, event)
                self._by_speed = [other for other in self._by_speed if other is not event]
        self._last_kmh = speed_kmh
        if changed:
            self._renew(now_s)
        return self.effects

    def _fire(self, now_s: float, event: DriveEvent) -> None:
        if event.band is not None:
            self._band = event.band
        if event.ignition is not None:
            self._ignition = event.ignition
        if event.for_s is not None:
            self._passing.append((now_s + event.for_s, event))
        elif event.lose or event.signals:
            self._lasting.append(event)

    def _renew(self, now_s: float) -> None:
        self._passing = [(until, event) for until, event in self._passing if now_s < until - 1e-6]
        active = [*self._lasting, *(event for _, event in self._passing)]
        forced: dict[str, int] = {}
        for event in active:
            forced.update(event.signals)
        limits = [event.gear_limit for event in active if event.gear_limit is not None]
        self.effects = Effects(
            self._band,
            self._ignition,
            sum(event.throttle_add for event in active),
            max((event.brake for event in active), default=0.0),
            min(limits, default=NO_GEAR_LIMIT),
            tuple(sorted({group for event in active for group in event.lose})),
            forced,
        )
        ahead = [until for until, _ in self._passing]
        if self._next < len(self._timed):
            ahead.append(self._timed[self._next].at_s or 0.0)
        self._change_s = min(ahead, default=None)
