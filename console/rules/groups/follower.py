"""Where each group is, from triggers and walking times.

Several guesses are weighed at a time, each a whole explanation of every trigger so far: the head of
a group, somebody behind it, or nobody. So a late, missing, double or false trigger, a straggler, a
group that turned back and a prop out of service all find their explanation, and how sure the
follower is comes out of the weights. In every guess groups keep their order.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from console.rules.groups.guess import MISS, Guess
from console.rules.groups.pace import Span, learned, spans_of
from console.rules.groups.track import LEAST, Outlook, Track, arrival_rate, outlook, tail_ms
from console.rules.groups.walk import Walk

GUESSES = 10
LEAST_SHARE = 1e-5
"""A guess less likely than this beside the best is dropped."""
LEAST_WEIGHT = 1e-6
LEAST_SAY = 2e-4
"""A guess with less than this share has no say in whose the next trigger is."""
ECHO_MS = 4000.0
"""Triggers closer than this are one: many feet on one mat, or a contact that bounces."""
LONGEST_ECHO_MS = 15_000.0
LEFT = 0.97
"""A group has left when this is the chance that its head is out, and its last had time to."""
OVERDUE, OVERDUE_MS = 3.0, 60_000.0
"""Noticed nowhere for so many times the way to the exit, and this on top, it is out somehow."""


@dataclass(frozen=True, slots=True)
class Where:
    """Where a group is thought to be.

    `place_ms` is the walking time from the entrance to there. `sure` is the chance that it is in
    `zone`; `near` names every zone that it may well be in, `noticed_ms` when it was noticed last.
    """

    number: int
    place_ms: float
    zone: str
    sure: float
    near: tuple[str, ...]
    noticed_ms: float


@dataclass(frozen=True, slots=True)
class Left:
    """A group is out. `noticed` is where and when it was noticed on its way, -1 the entrance."""

    number: int
    sent_ms: float
    left_ms: float
    noticed: tuple[tuple[int, float], ...]


class Follower:
    """Follows the groups of a night. Times are milliseconds of one clock and never run backward."""

    def __init__(self, by_file: Walk, earlier: Iterable[Span] = ()) -> None:
        self._by_file = by_file
        self._spans = list(earlier)
        self.walk = learned(by_file, self._spans)
        self._miss = [MISS] * len(by_file.props)
        self._station = {name: i for i, name in enumerate(by_file.props)}
        self._guesses: list[Guess] = [Guess(1.0, ())]
        self._sent_ms: dict[int, float] = {}
        self._seen_ms = [float("-inf")] * len(by_file.props)
        self._began_ms = [float("-inf")] * len(by_file.props)
        self._outlooks: dict[int, Outlook] = {}
        self._rates: dict[tuple[int, int, float], float] = {}
        self._weighed: list[tuple[float, Guess]] = []
        self._looked_ms = float("-inf")

    @property
    def numbers(self) -> tuple[int, ...]:
        """The groups in the walk, first the one that was sent first."""
        return tuple(self._sent_ms)

    @property
    def guesses(self) -> tuple[Guess, ...]:
        """The guesses that are weighed."""
        return tuple(self._guesses)

    def sent_ms(self, number: int) -> float:
        """When a group was sent; raises KeyError for one that isn't in the walk."""
        return self._sent_ms[number]

    def send(self, number: int, size: int, now_ms: float) -> None:
        """A group leaves the entrance."""
        track = Track(number, max(1, size), -1, now_ms, noticed=((-1, now_ms),))
        self._sent_ms[number] = now_ms
        self._guesses = [Guess(g.weight, (*g.tracks, track)) for g in self._guesses]
        self._forget()

    def in_service(self, prop: str, working: bool) -> None:
        """Whether anything that passes a prop can be noticed there at all."""
        miss = MISS if working else 1.0
        if self._miss[self._station[prop]] != miss:
            self._miss[self._station[prop]] = miss
            self._forget()

    def trigger(self, prop: str, now_ms: float) -> None:
        """Somebody, or nothing, tripped a prop."""
        station = self._station[prop]
        seen_ms = self._seen_ms[station]
        self._seen_ms[station] = max(seen_ms, now_ms)
        if now_ms - seen_ms < ECHO_MS and now_ms - self._began_ms[station] < LONGEST_ECHO_MS:
            return
        self._began_ms[station] = now_ms
        self._at(now_ms)
        merged: dict[tuple[Track, ...], float] = {}
        for guess in self._guesses:
            for new in guess.explained(self.walk, self._miss, station, now_ms):
                merged[new.tracks] = merged.get(new.tracks, 0.0) + new.weight
        # Silence tells far less than this between guesses: most need not be looked at closely.
        least = max(merged.values()) * LEAST_WEIGHT
        self._keep([Guess(w, tracks) for tracks, w in merged.items() if w >= least])

    def correct(self, number: int, station: int, now_ms: float) -> None:
        """The operator says: this group is just past `station`, -1 being the entrance.

        Groups before it are at least as far, those behind it at most. Raises KeyError.
        """
        self._sent_ms[number]
        self._at(now_ms)
        best = self._best()
        tracks = list(best.tracks)
        at = next(i for i, t in enumerate(tracks) if t.group == number)
        for i, track in enumerate(tracks):
            ahead = i < at and track.station < station
            behind = i > at and track.station > station
            if i == at or ahead or behind:
                tracks[i] = track.place(self.walk, station, now_ms)
        self._guesses = [Guess(1.0, tuple(tracks))]
        self._forget()

    def leave(self, number: int, now_ms: float) -> list[Left]:
        """The operator says: this group is out, and with it those before it. Raises KeyError."""
        self._sent_ms[number]
        left = []
        while True:
            first = next(iter(self._sent_ms))
            left.append(self._out(first, now_ms, told=True))
            if first == number:
                return left

    def tick(self, now_ms: float) -> list[Left]:
        """Let time pass; the groups that have left by now, in order."""
        self._at(now_ms)
        left: list[Left] = []
        while self._sent_ms and self._is_out(now_ms):
            left.append(self._out(next(iter(self._sent_ms)), now_ms))
        return left

    def where(self, now_ms: float) -> list[Where]:
        """Where each group is, the one that was sent first before the others, here as there."""
        self._at(now_ms)
        weighed = self._shares()
        found: list[Where] = []
        ahead_ms = self.walk.total_ms
        for i, number in enumerate(self._sent_ms):
            zones: dict[str, float] = {}
            places: dict[int, tuple[float, float]] = {}
            for share, guess in weighed:
                track = guess.tracks[i]
                for station, chance in self._outlook(track).at:
                    place = self._place(track, station, now_ms)
                    zone = self.walk.zone_at(place)
                    zones[zone] = zones.get(zone, 0.0) + share * chance
                    known = places.get(station, (0.0, 0.0))
                    weight = share * chance
                    places[station] = (known[0] + weight, known[1] + weight * place)
            weight, sum_ms = max(places.values())
            place = min(ahead_ms, sum_ms / weight if weight > 0 else ahead_ms)
            ahead_ms = place
            zone = self.walk.zone_at(place)
            near = tuple(z for z in self.walk.zones if zones.get(z, 0.0) >= 0.05 or z == zone)
            best = weighed[0][1].tracks[i]
            last = best.noticed[-1][1] if best.noticed else best.at_ms
            found.append(Where(number, place, zone, min(1.0, zones.get(zone, 0.0)), near, last))
        return found

    def chances(self, prop: str, now_ms: float, ahead_ms: float) -> dict[int, float]:
        """Whose would a trigger at a prop be, now or up to `ahead_ms` later: shares by group."""
        self._at(now_ms)
        station = self._station[prop]
        rates: dict[int, float] = {}
        for share, guess in self._shares():
            if share < LEAST_SAY:
                break
            past = guess.last_past(station)
            if past >= 0:
                number = guess.tracks[past].group
                rate = guess.tail(station, now_ms)
                rates[number] = rates.get(number, 0.0) + share * rate
            for track in guess.tracks[past + 1 :]:
                rate = self._rate(track, station, ahead_ms)
                rates[track.group] = rates.get(track.group, 0.0) + share * rate
                # Those behind come next only if this one does not come any more.
                share *= self._outlook(track).beyond(station)
                if share < LEAST:
                    break
        total = sum(rates.values())
        return {number: rate / total for number, rate in rates.items()} if total > 0 else {}

    def arrival_ms(self, number: int, prop: str) -> float:
        """When a group passes a prop, or passed it, by the best guess; raises KeyError."""
        self._sent_ms[number]
        best = self._best()
        track = next(t for t in best.tracks if t.group == number)
        station = self._station[prop]
        if station <= track.station:
            return track.passed_ms[station]
        return track.at_ms + track.to(self.walk, station).median_ms

    def passed(self, number: int) -> int:
        """The last station that a group has passed, by the best guess; raises KeyError."""
        self._sent_ms[number]
        best = self._best()
        return next(t.station for t in best.tracks if t.group == number)

    def next_at(self, prop: str) -> tuple[int | None, int | None]:
        """The last group past a prop and the first still to come, by the best guess."""
        best = self._best()
        past = best.last_past(self._station[prop])
        numbers = self.numbers
        now = numbers[past] if past >= 0 else None
        return now, numbers[past + 1] if past + 1 < len(numbers) else None

    # --- inside -------------------------------------------------------------------------------

    def _at(self, now_ms: float) -> None:
        if now_ms != self._looked_ms:
            self._looked_ms = now_ms
            self._forget()

    def _forget(self) -> None:
        """What was worked out no longer holds: time went by, or a track changed."""
        self._outlooks.clear()
        self._rates.clear()
        self._weighed.clear()

    def _outlook(self, track: Track) -> Outlook:
        # Guesses share most of their tracks, and hold them while this cache lives.
        found = self._outlooks.get(id(track))
        if found is None:
            found = outlook(track, self.walk, self._miss, self._looked_ms)
            self._outlooks[id(track)] = found
        return found

    def _rate(self, track: Track, station: int, ahead_ms: float) -> float:
        key = (id(track), station, ahead_ms)
        found = self._rates.get(key)
        if found is None:
            unnoticed = self._outlook(track).unnoticed
            found = max(
                arrival_rate(track, self.walk, self._miss, station, at_ms, unnoticed)
                for at_ms in (self._looked_ms, self._looked_ms + ahead_ms)
            )
            self._rates[key] = found
        return found

    def _shares(self) -> list[tuple[float, Guess]]:
        """Each guess with its share of the likelihood, the likeliest first."""
        if not self._weighed:
            weights = [g.likelihood(self._outlook) for g in self._guesses]
            total = sum(weights)
            pairs = [(w / total, g) for w, g in zip(weights, self._guesses, strict=True)]
            self._weighed = sorted(pairs, key=lambda pair: pair[0], reverse=True)
        return self._weighed

    def _best(self) -> Guess:
        return self._shares()[0][1]

    def _keep(self, guesses: list[Guess]) -> None:
        """Keep the likeliest, with weights near 1 so that they never run out of range."""
        weights = [g.likelihood(self._outlook) for g in guesses]
        order = sorted(range(len(guesses)), key=lambda i: weights[i], reverse=True)[:GUESSES]
        kept = [guesses[i] for i in order if weights[i] >= weights[order[0]] * LEAST_SHARE]
        scale = max(g.weight for g in kept)
        self._guesses = [Guess(g.weight / scale, g.tracks) for g in kept]
        self._forget()

    def _is_out(self, now_ms: float) -> bool:
        out = 0.0
        overdue = True
        for share, guess in self._shares():
            track = guess.tracks[0]
            view = self._outlook(track)
            out += share * (view.gone + sum(p for at, p in view.at if at == self.walk.exit))
            way_ms = track.to(self.walk, self.walk.exit).median_ms
            overdue = overdue and now_ms - track.at_ms > OVERDUE * way_ms + OVERDUE_MS
        last = self._best().tracks[0]
        end_ms = last.at_ms + last.to(self.walk, self.walk.exit).median_ms + tail_ms(last)
        return overdue or (out >= LEFT and now_ms >= end_ms)

    def _out(self, number: int, now_ms: float, *, told: bool = False) -> Left:
        best = self._best().tracks[0]
        left_ms = now_ms
        if not told:
            exit_ms = best.at_ms + best.to(self.walk, self.walk.exit).median_ms
            left_ms = max(best.at_ms, min(now_ms, exit_ms))
        merged: dict[tuple[Track, ...], float] = {}
        for guess in self._guesses:
            rest = guess.tracks[1:]
            weight = guess.weight * self._outlook(guess.tracks[0]).unnoticed
            merged[rest] = merged.get(rest, 0.0) + weight
        sent_ms = self._sent_ms.pop(number)
        self._keep([Guess(weight, tracks) for tracks, weight in merged.items()])
        self._spans += spans_of(best.noticed)
        self.walk = learned(self._by_file, self._spans)
        self._forget()
        return Left(number, sent_ms, left_ms, best.noticed)

    def _place(self, track: Track, station: int, now_ms: float) -> float:
        """Walking time from the entrance to where a track is, if it is just past `station`."""
        if station >= self.walk.exit:
            return self.walk.total_ms
        begin = 0.0 if station == track.station else track.to(self.walk, station).median_ms
        end = track.to(self.walk, station + 1).median_ms
        share = (now_ms - track.at_ms - begin) / max(end - begin, 1.0)
        leg = self.walk.legs_ms[station + 1]
        return self.walk.place_ms(station) + leg * max(0.0, min(0.95, share))
