"""Writes the interlocks as C: each renews its flag and its timer, and says whether it stands and takes a hold out.

The first that stands gives the refusal, the first that is on gives the row of the chart. So they are written from the
last to the first and each overwrites what a less severe one has said: one move instead of two tests. Where a condition
reads another interlock they keep their order, and each gives way to one that has spoken.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import reduce
from itertools import takewhile
from types import SimpleNamespace

from controller.declare import TIMER_MAX_MS, Interlock, State
from controller.errors import UserError
from controller.intervals import variables
from controller.port.c_function import Scope, bare
from controller.port.c_text import comment, statement
from controller.port.folding import leaves
from controller.port.work import Arm, Work, among, both, branches, reason, where
from controller.terms import Term

OUT_REASON = "out_reason"
"""Memory field of a tick: reason of the first interlock that takes a hold out."""

_BARS = {State.IDLE: "bars_idle", State.RELEASED: "bars_released"}
_NONE = reason("none")


class Locks:
    """The interlocks of a tick. What comes after reads `standing`, `out`, `m.bars_idle` and `m.bars_released`."""

    def __init__(self, work: Work, kept_trips: frozenset[str]) -> None:
        self.work, self.kept_trips = work, kept_trips
        interlocks = work.rules.interlocks
        self.is_reversed = not _reads_another(Work(work.rules))
        self.order = interlocks[::-1] if self.is_reversed else interlocks
        # What refuses last and takes nothing out needs no word of its own: its flag is read in the end.
        self.tail: list[Interlock] = []
        for one in reversed(interlocks):
            if one.out_to is not None or one.leaves or not _comes_at_once(one):
                break
            self.tail.insert(0, one)
        self.spoken = [one for one in self.order if one not in self.tail]
        self.leaving = [one for one in interlocks if one.leaves]
        self.left = {state for one in self.leaving for state in one.leaves}
        self.fields: list[tuple[str, bool, str]] = []
        """Name, whether it is a truth value, and meaning of memory that is used within a tick only."""
        self._captured: dict[str, State] = {}
        self.with_stands: set[str] = set()
        self._plan_bars()
        self.fields += [
            (one.trip, True, f"the condition of {one.reason} holds") for one in interlocks if one.reason in kept_trips
        ]
        self.fields += [
            (_stands(one), True, f"{one.reason} is on, or its condition holds")
            for one in interlocks if one.reason in self.with_stands
        ]  # fmt: skip
        if self.leaving:
            self.fields.append((OUT_REASON, False, "reason of the first interlock that takes a hold out, or none"))
        self.standing = self._number("standing") if self.spoken else work.places.graph.constant(0)
        self.out = self._number(f"m->{OUT_REASON}")

    def _number(self, place: str) -> Term:
        return self.work.places.variable(f"{place}'", "int", place)

    def _plan_bars(self) -> None:
        # Bars need no test of each interlock where all of a kind speak first (then somebody has spoken) or last (then
        # the last word is one of theirs).
        for state in _BARS:
            members = [one for one in self.spoken if one.out_to is state]
            if not members or self._last_word(members):
                continue
            if self.is_reversed and self.spoken[: len(members)] == members:
                self._captured[members[-1].reason] = state
                what = f"reason of an interlock that takes a hold to {state.name.lower()} and stands, or none"
                self.fields.append((_spoken_for(state), False, what))
            else:
                self.with_stands |= {one.reason for one in members if not _comes_at_once(one)}

    def _last_word(self, members: Sequence[Interlock]) -> bool:
        return self.is_reversed and self.spoken[-len(members) :] == members

    # Writing --------------------------------------------------------------------------------------------------

    def write(self) -> list[str]:
        """Return the body of the function that renews all interlocks and returns the first that stands."""
        work, scope = self.work, Scope(self.work.places)
        lines = []
        if self.spoken:
            lines.append(f"    int32_t standing = {_NONE};")
        if self.leaving:
            lines.append(f"    int32_t takes_out = {_NONE};")
        unguarded = self._first_run()
        self._share()
        for one in self.order:
            self._lock(scope, one, unguarded)
            if unguarded and one is unguarded[-1]:
                guard = where("m->state", one.leaves, self.left)
                self._say(scope, f"takes_out = {guard} ? takes_out : {_NONE};")
            if one.reason in self._captured:
                self._say(scope, f"m->{_spoken_for(self._captured[one.reason])} = standing;")
            if not self.is_reversed and one.out_to is not None:
                # At once: the condition of a later one may read it.
                setattr(work.m, _BARS[one.out_to], self._stand(one) | getattr(work.m, _BARS[one.out_to]))
        lines += scope.finish()
        if self.is_reversed:
            for state, name in _BARS.items():
                setattr(work.m, name, self._bars(state))
        if self.leaving:
            lines += ["", f"    m->{OUT_REASON} = takes_out;"]
        return [*lines, "", "    return standing;"] if self.spoken else lines

    def _bars(self, state: State) -> Term:
        if state in self._captured.values():
            return self._number(f"m->{_spoken_for(state)}") != 0
        members = [one for one in self.spoken if one.out_to is state]
        if members and self._last_word(members):
            possible = ["none", *(one.reason for one in self.spoken)]
            return among(self.work, self.standing, {one.reason for one in members}, possible)
        return reduce(lambda stands, one: self._stand(one) | stands, members, self.work.places.graph.constant(False))

    def _stand(self, one: Interlock) -> Term:
        stands: Term = getattr(self.work.m, _stands(one) if one.reason in self.with_stands else one.on)
        return stands

    def _first_run(self) -> list[Interlock]:
        # The first to speak may say so unasked, if all of a run leave the same states: one test after them all.
        leaving = [one for one in self.order if one.leaves]
        if not self.is_reversed or not leaving:
            return []
        first = set(leaving[0].leaves)
        run = list(takewhile(lambda one: set(one.leaves) == first, leaving))
        return run if len(run) > 1 and first != self.left else []

    @staticmethod
    def _say(scope: Scope, text: str) -> None:
        scope.add([], lambda: scope.say(text))

    def _lock(self, scope: Scope, one: Interlock, unguarded: Sequence[Interlock]) -> None:
        work, fold = self.work, self.work.places.fold
        held, free = (
            fold(
                one.trips(work.x, work.k, SimpleNamespace(**(vars(work.m) | {one.on: work.places.graph.constant(on)})))
            )
            for on in (True, False)
        )
        plain = fold(one.trips(work.x, work.k, work.m))
        if held is free:
            held = free = plain = self._shared.get(plain, plain)
        confirm, settle = fold(self._time(one.confirm)), fold(0 if one.latches else self._time(one.settle))
        for wait in (confirm, settle):
            self._check_wait(scope, wait)
        writing = _Lock(self, scope, one, self._stands_lines(one), self._out_lines(one, one in unguarded))
        follows = _comes_at_once(one) and one.settle == 0
        later = [held] if held is free and not follows and not _comes_at_once(one) else []
        terms = [] if later else [plain] if follows else [free] if held is free else [held, free]

        def write() -> None:
            scope.lines += ["", comment(f"{one.reason}: {one.meaning}. Clears {one.clears}.", "    ")]
            if follows:
                writing.follows(plain)
            else:
                writing.waits(held, free, confirm, settle)

        scope.add([*terms, confirm, settle], write, later)
        work.renewed(one.trip, "bool", f"m->{one.trip}")
        work.renewed(one.on, "bool", f"m->{one.on}")
        work.renewed(one.timer, "int", f"m->{one.timer}")
        if one.reason in self.with_stands:
            work.renewed(_stands(one), "bool", f"m->{_stands(one)}")

    def _share(self) -> None:
        """Let what one condition needs all of, and another any of the opposites of, be worked out once for both."""
        work, folder = self.work, self.work.places.folder
        self._shared: dict[Term, Term] = {}
        if not self.is_reversed:
            return  # a condition reads another interlock: what it says hangs on the order
        plain = [work.places.fold(one.trips(work.x, work.k, work.m)) for one in self.order]
        for any_of in (one for one in plain if one.op == "|"):
            opposites = {folder.opposite(leaf): leaf for leaf in leaves(any_of, "|")}
            for all_of in (one for one in plain if one.op == "&"):
                common = dict.fromkeys(leaf for leaf in leaves(all_of, "&") if leaf in opposites)
                if len(common) < 2:
                    continue
                shared = reduce(folder.both, common)
                rest = [leaf for opposite, leaf in opposites.items() if opposite not in common]
                self._shared[any_of] = reduce(folder.either, rest, folder.opposite(shared))
                rest = [leaf for leaf in leaves(all_of, "&") if leaf not in common]
                self._shared[all_of] = reduce(folder.both, rest, shared)
                return

    def _time(self, key_or_ms: str | int) -> Term | int:
        return getattr(self.work.k, key_or_ms) if isinstance(key_or_ms, str) else key_or_ms

    def _check_wait(self, scope: Scope, wait: Term) -> None:
        # No wait is as long as a timer counts, so that only what never ends has to stop counting.
        if self.work.places.folder.limits(wait)[1] > TIMER_MAX_MS:
            raise UserError(f"rule set {self.work.rules.name!r}: {bare(scope.text(wait))} may be longer than "
                            f"{TIMER_MAX_MS} ms, where timers stop; declare a lower high end")  # fmt: skip

    def _stands_lines(self, one: Interlock) -> list[str]:
        lines = [f"m->{_stands(one)} = true;"] if one.reason in self.with_stands else []
        if one in self.tail:
            return lines
        word = reason(one.reason)
        return [*lines, f"standing = {word if self.is_reversed else f'(standing == {_NONE}) ? {word} : standing'};"]

    def _out_lines(self, one: Interlock, unguarded: bool) -> list[str]:
        if not one.leaves:
            return []
        word = reason(one.reason)
        guard = "" if unguarded else where("m->state", one.leaves, self.left)
        if not self.is_reversed:
            guard = both(f"(takes_out == {_NONE})", guard)
        return [f"takes_out = {guard} ? {word} : takes_out;" if guard else f"takes_out = {word};"]


class _Lock:
    """The lines of one interlock."""

    def __init__(self, locks: Locks, scope: Scope, one: Interlock, stands: list[str], out: list[str]) -> None:
        self.scope, self.one, self.helpers = scope, one, locks.work.places.helpers
        self.on, self.timer, self.ms = f"m->{one.on}", f"m->{one.timer}", f"{one.reason}_ms"
        self.stands, self.out = stands, out
        self.is_kept = one.reason in locks.kept_trips
        self.first = [f"m->{_stands(one)} = false;"] if one.reason in locks.with_stands else []
        self.first += [f"m->{one.trip} = false;"] if self.is_kept else []
        self.trips = [f"m->{one.trip} = true;"] if self.is_kept else []

    def follows(self, condition: Term) -> None:
        """Write one that is on whenever its condition holds."""
        say, text = self.scope.say, bare(self.scope.text(condition))
        say(f"{self.on} = {text};")
        say(f"{self.timer} = -1;")
        if self.is_kept:
            say(f"m->{self.one.trip} = {self.on};")
        if self.stands or self.out:
            self.scope.lines += branches([(self.on, [*self.stands, *self.out])], [])

    def waits(self, held: Term, free: Term, confirm: Term, settle: Term) -> None:
        """Write one that waits before it comes on, or before it goes off."""
        scope, text = self.scope, self.scope.text
        for line in [f"int32_t {self.ms} = -1;", *self.first]:
            scope.say(line)
        if held is free and not _comes_at_once(self.one):
            self._bind(held)
        stays: Arm = (both(text(held), self.on), [*self.trips, *self.stands, *self.out])
        goes: Arm = (self.on, self._goes(bare(text(settle)), settle.op == "const" and settle.value == 0))
        comes: Arm = (text(free), [*self.trips, *self._comes(confirm)])
        if held is not free:
            arms = [(both(self.on, text(held)), stays[1]), goes, comes]
        elif not _comes_at_once(self.one):
            arms = [stays, comes, goes]
        else:
            # First whether the wait is over: a wait that ends is the longest way of all, so it asks no more than that.
            over = f"({self._counted()} >= {bare(text(settle))})"
            arms = [comes, (f"({over} || (!{self.on}))", [f"{self.on} = false;"])]
            scope.lines += branches(arms, [f"{self.ms} = {self._counted()};", *self.stands, *self.out])
            scope.say(f"{self.timer} = {self.ms};")
            return
        scope.lines += branches(arms, ["/* nothing to wait for */"])
        scope.say(f"{self.timer} = {self.ms};")

    def _bind(self, condition: Term) -> None:
        """Write a condition as a local; what only its last parts need is worked out where the others hold."""
        scope = self.scope
        parts = leaves(condition, "&", scope.is_named)
        cheap, dear = (
            [part for part in parts if bool(scope.missing_locals(part)) is is_dear] for is_dear in (False, True)
        )
        if not dear or not cheap or not scope.is_needed_here_only(scope.missing_locals(condition), condition):
            scope.name_shared(condition)
            if not (condition.op in ("var", "const") or scope.is_named(condition)):
                scope.bind(condition, self.one.trip)
            return
        for part in cheap:
            scope.name_shared(part)
        scope.say(f"bool {self.one.trip} = false;")
        scope.lines.append(statement(f"if ({bare(both(*map(scope.text, cheap)))})", "    "))
        with scope.block():
            for part in dear:
                scope.name_shared(part)
            scope.say(f"{self.one.trip} = {bare(both(*map(scope.text, dear)))};")
        scope.name(condition, self.one.trip)

    def _comes(self, confirm: Term) -> list[str]:
        if confirm.op == "const" and confirm.value == 0:
            return [f"{self.on} = true;", *self.stands, *self.out]
        ends = [f"{self.ms} = -1;", f"{self.on} = true;", *self.out]
        inner = branches([(f"({self.ms} >= {bare(self.scope.text(confirm))})", ends)], [], "        ")
        return [*self.stands, self._counts(), *inner]

    def _goes(self, settle: str, at_once: bool) -> list[str]:
        if self.one.latches:
            self.helpers |= {"rules_min", "rules_counted"}
            counted = f"rules_min(rules_counted({self.timer}, elapsed_ms), {TIMER_MAX_MS})"
            return [f"{self.ms} = {counted};", *self.stands, *self.out]
        if at_once:
            return [f"{self.on} = false;"]
        waits: Arm = (f"({self.ms} < {settle})", [*self.stands, *self.out])
        if not waits[1]:
            waits = (f"({self.ms} < {settle})", ["/* it waits */"])
        return [self._counts(), *branches([waits], [f"{self.ms} = -1;", f"{self.on} = false;"], "        ")]

    def _counts(self) -> str:
        return f"{self.ms} = {self._counted()};"

    def _counted(self) -> str:
        self.helpers.add("rules_counted")
        return f"rules_counted({self.timer}, elapsed_ms)"


def _comes_at_once(one: Interlock) -> bool:
    return one.confirm == 0 and not one.latches


def _spoken_for(state: State) -> str:
    return f"{state.name.lower()}_standing"


def _stands(one: Interlock) -> str:
    return f"{one.reason}_stands"


def _reads_another(work: Work) -> bool:
    """Say whether the condition of an interlock reads what another one keeps."""
    m, owner = work.m, dict[str, str]()
    for one in work.rules.interlocks:
        owner |= {f"m.{one.on}": one.reason, f"m.{one.timer}": one.reason}
    for one in work.rules.interlocks:
        read = variables(work.places.fold(one.trips(work.x, work.k, m)))
        if any(owner.get(name, one.reason) != one.reason for name in read):
            return True
        for name, kind in ((one.trip, "bool"), (one.on, "bool"), (one.timer, "int")):
            owner[f"{name}'"] = one.reason
            work.renewed(name, kind, "")
        if one.out_to is not None:
            # Whose it is counts here, not its value.
            setattr(m, _BARS[one.out_to], getattr(m, one.on) | getattr(m, _BARS[one.out_to]))
    return False
