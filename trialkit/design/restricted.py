"""Restricted randomisation: every order that keeps run, balance and block rules, counted exactly.

The orders are the paths through a small automaton: a state holds what the rules need to know of
the periods already filled (how often each condition was used, in the trial, in each slot and in
the block; the last run). Counting paths backwards from the end gives the exact number of orders,
and choosing each step in proportion to the paths it leaves open draws one of them uniformly.
Nothing is drawn and thrown away, so that tight rules on long trials cost no more than loose ones.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Final, NamedTuple

from trialkit.design.draws import Stream
from trialkit.design.reference_sets import Codes, ReferenceSet
from trialkit.errors import Problem, RequestError

MOST_STATES: Final = 100_000


class _State(NamedTuple):
    """What the rules must know of the periods filled so far."""

    used: Codes
    """Times each condition was used in the whole trial."""
    in_slot: tuple[Codes, ...]
    """The same for each slot class."""
    in_block: Codes
    """Conditions used in the current block, in ascending order."""
    last: int
    run: int


@dataclass(frozen=True)
class RestrictedOrders(ReferenceSet):
    """Orders with equal counts which keep up to three more rules.

    ``slots`` gives the class of each period over which conditions are spread as evenly as
    possible (empty: no such rule), ``longest_run`` the most periods in a row under one condition,
    ``block_size`` (the number of conditions) makes every block hold every condition.

    Examples
    --------
    >>> orders = RestrictedOrders(("easy", "hard"), 6, longest_run=2)
    >>> orders.count()
    14
    """

    slots: tuple[int, ...] = ()
    longest_run: int | None = None
    block_size: int | None = None

    def count(self) -> int:
        """Number of orders, by counting the automaton's paths."""
        return self._open_paths[0].get(self._start, 0)

    def holds(self, codes: Codes) -> bool:
        """Whether every step of the order is allowed."""
        state = self._start
        for step, place in enumerate(self._places):
            following = self._after(state, step, codes[place])
            if following is None:
                return False
            state = following
        return True

    def walk(self) -> Iterator[Codes]:
        """Every order once; dead ends are never entered."""
        yield from self._walk_from((), self._start)

    def _walk_from(self, chosen: Codes, state: _State) -> Iterator[Codes]:
        if len(chosen) == self.length:
            yield self._in_time(chosen)
            return
        for code, following, _ in self._open_steps(state, len(chosen)):
            yield from self._walk_from((*chosen, code), following)

    def pick(self, stream: Stream) -> Codes:
        """Choose each step in proportion to the orders it leaves open."""
        state, chosen = self._start, []
        for step in range(self.length):
            steps = list(self._open_steps(state, step))
            code, state, _ = steps[stream.weighted([paths for _, _, paths in steps])]
            chosen.append(code)
        return self._in_time(tuple(chosen))

    def _in_time(self, chosen: Codes) -> Codes:
        """Put codes chosen place by place back into the order of time."""
        ordered = [0] * self.length
        for place, code in zip(self._places, chosen, strict=True):
            ordered[place] = code
        return tuple(ordered)

    def _open_steps(self, state: _State, step: int) -> Iterator[tuple[int, _State, int]]:
        """Codes that lead on from here, with the state they lead to and its number of paths."""
        for code in range(len(self.conditions)):
            following = self._after(state, step, code)
            paths = self._open_paths[step + 1].get(following, 0) if following else 0
            if following and paths:
                yield code, following, paths

    @cached_property
    def _places(self) -> tuple[int, ...]:
        """The order in which places are filled."""
        if self.longest_run is None and self.block_size is None:
            # No rule looks at neighbours: filling slot by slot keeps the states few.
            return tuple(
                sorted(range(self.length), key=lambda i: self.slots[i] if self.slots else 0)
            )
        return tuple(range(self.length))

    @cached_property
    def _slot_sizes(self) -> Codes:
        return tuple(self.slots.count(slot) for slot in range(max(self.slots, default=-1) + 1))

    @property
    def _start(self) -> _State:
        zeros = (0,) * len(self.conditions)
        return _State(zeros, tuple(zeros for _ in self._slot_sizes), (), -1, 0)

    def _after(self, state: _State, step: int, code: int) -> _State | None:
        """The state after using ``code`` next; None where a rule forbids it."""
        place = self._places[step]
        used = _plus_one(state.used, code)
        if used[code] > self.length // len(self.conditions) or code in state.in_block:
            return None
        last, run = (code, state.run + 1 if code == state.last else 1)
        if self.longest_run is None:
            last, run = -1, 0
        elif run > self.longest_run:
            return None
        in_slot = state.in_slot
        if self.slots:
            slot = self.slots[place]
            counts = _plus_one(in_slot[slot], code)
            size = self._slot_sizes[slot]
            if not _even(counts, size):
                return None
            # A filled slot is closed: forgetting its counts merges states that differ no more.
            closed = () if sum(counts) == size else counts
            in_slot = (*in_slot[:slot], closed, *in_slot[slot + 1 :])
        return _State(used, in_slot, self._block_after(state.in_block, place, code), last, run)

    def _block_after(self, in_block: Codes, place: int, code: int) -> Codes:
        if self.block_size is None or (place + 1) % self.block_size == 0:
            return ()
        return tuple(sorted((*in_block, code)))

    @cached_property
    def _open_paths(self) -> list[dict[_State, int]]:
        """For every step, the number of ways to finish from each state that can be reached."""
        layers = [{self._start}]
        states = 1
        for step in range(self.length):
            layers.append(set(self._reached(layers[-1], step)))
            states += len(layers[-1])
            if states > MOST_STATES:
                raise RequestError(_too_entangled())
        paths: list[dict[_State, int]] = [dict.fromkeys(layers[-1], 1)]
        for step in range(self.length - 1, -1, -1):
            paths.append({s: self._paths_from(s, step, paths[-1]) for s in layers[step]})
        paths.reverse()
        return paths

    def _reached(self, layer: set[_State], step: int) -> Iterator[_State]:
        for state in layer:
            for code in range(len(self.conditions)):
                if (following := self._after(state, step, code)) is not None:
                    yield following

    def _paths_from(self, state: _State, step: int, later: dict[_State, int]) -> int:
        following = (self._after(state, step, code) for code in range(len(self.conditions)))
        return sum(later[s] for s in following if s is not None)


def _plus_one(counts: Codes, code: int) -> Codes:
    return (*counts[:code], counts[code] + 1, *counts[code + 1 :])


def _even(counts: Codes, size: int) -> bool:
    """Whether these counts can still end as evenly as ``size`` places allow."""
    low, extra = divmod(size, len(counts))
    above = sum(count > low for count in counts)
    return max(counts) <= low + (extra > 0) and above <= extra


def _too_entangled() -> Problem:
    return Problem(
        where="design.constraints",
        found="rules that tie too many periods together",
        wrong=f"counting the possible orders exactly would take more than {MOST_STATES} states.",
        fix="use randomised-blocks (balanced in small blocks), or drop longest_run or balance.",
    )
