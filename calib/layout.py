"""The unknowns of a run: what each of them is, and where it stands among all of them.

Unknowns come in scopes: those of the rig once, others once for each instance of something, such as
a stand. Nothing else counts columns: derivatives by the unknowns of a scope come in as they are
and go to their columns here.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np

from calib.adjust.bordered import Bordered, Sets
from calib.chain.motion import PLACEMENT
from calib.chain.posture import Points
from calib.chain.rig import Rig
from calib.stations import CORRECTIONS

#: With fewer unknowns that belong to one stand each, all of them at once are as quick.
_MANY = 24

RIG, STAND, SET_UP = "rig", "stand", "set-up"


@dataclass(frozen=True)
class Quantity:
    """What an unknown is; `unit` is that of screens and files, m or deg."""

    name: str
    unit: str
    means: str
    held: bool = False


@dataclass(frozen=True)
class Scope:
    """Unknowns that come once for each instance of something."""

    name: str
    quantities: tuple[Quantity, ...]
    instances: tuple[str, ...]
    #: Whether all shots of a pose are of one instance, and no prior is about several.
    splits_poses: bool = False

    @property
    def shape(self) -> tuple[int, int]:
        return len(self.instances), len(self.quantities)


@dataclass(frozen=True)
class Unknown:
    """One unknown; `name` is its name among all of them."""

    name: str
    quantity: Quantity
    scope: str
    instance: str


class Part(NamedTuple):
    """Derivatives of points by the unknowns of a scope."""

    scope: str
    instance: np.ndarray  #: Int, shape (n,). Which instance each point depends on; -1 for none.
    derivatives: np.ndarray  #: Shape (n, 3, k), m per m and m per rad.


@dataclass(frozen=True)
class Layout:
    """All unknowns, scope by scope, instance by instance."""

    scopes: tuple[Scope, ...]

    @cached_property
    def unknowns(self) -> tuple[Unknown, ...]:
        return tuple(
            Unknown(_name(q, scope.name, instance), q, scope.name, instance)
            for scope in self.scopes for instance in scope.instances for q in scope.quantities)

    @cached_property
    def names(self) -> tuple[str, ...]:
        return tuple(u.name for u in self.unknowns)

    @cached_property
    def units(self) -> tuple[str, ...]:
        """Of screens and files, m or deg."""
        return tuple(u.quantity.unit for u in self.unknowns)

    @cached_property
    def held(self) -> np.ndarray:
        return np.array([u.quantity.held for u in self.unknowns], bool)

    @property
    def free_names(self) -> list[str]:
        return [u.name for u in self.unknowns if not u.quantity.held]

    def __len__(self) -> int:
        return len(self.unknowns)

    def named(self, name: str) -> Unknown:
        """The unknown of that name."""
        return self.unknowns[self.names.index(name)]

    def scope(self, name: str) -> Scope:
        """The scope of that name."""
        return next(s for s in self.scopes if s.name == name)

    def columns(self, scope: str, instance: str | None = None) -> np.ndarray:
        """Where the unknowns of a scope are, shape (n_instances, k); of one instance, (k,)."""
        first = 0
        for s in self.scopes:
            n, k = s.shape
            if s.name == scope:
                columns = first + np.arange(n * k).reshape(n, k)
                return columns if instance is None else columns[s.instances.index(instance)]
            first += n * k
        raise ValueError(f"there is no scope {scope!r}")

    def among_free(self, columns: np.ndarray) -> np.ndarray:
        """Numbers that the free ones of some columns (of any shape) have among the free."""
        columns = columns[~self.held[columns]]
        return (np.cumsum(~self.held) - 1)[columns]

    def with_rig(self, scope: str) -> np.ndarray:
        """Numbers among the free of the rig's, then an instance's own, (n_instances, k)."""
        rig = self.among_free(self.columns(RIG, ""))
        return np.array([[*rig, *self.among_free(own)] for own in self.columns(scope)])

    def of(self, scope: str, values: np.ndarray) -> np.ndarray:
        """The values of a scope, shape (n_instances, k), of those of all unknowns."""
        return values[self.columns(scope)]

    def dense(self, parts: Sequence[Part]) -> np.ndarray:
        """Derivatives of points by all unknowns, shape (n, 3, n_unknowns)."""
        return self._spread(parts, np.arange(len(self)), len(self))

    def bordered(self, parts: Sequence[Part]) -> Bordered:
        """The same in rows of coordinates, set by set: an instance of `split` and what only it has.

        Only of a layout that has such a scope. A set-up from which nothing but one stand was seen
        belongs to that stand.
        """
        assert self.split is not None
        own = [[columns] for columns in self.columns(self.split)]
        of_point = next(part.instance for part in parts if part.scope == self.split)
        for scope, instance, _ in parts:
            if scope != self.split and not any(q.held for q in self.scope(scope).quantities):
                columns = self.columns(scope)
                for i, home in enumerate(_homes(instance, of_point, len(columns))):
                    if home >= 0:
                        own[home].append(columns[i])
        local = _padded([np.concatenate(columns) for columns in own])
        shared = np.setdiff1d(np.arange(len(self)), local)
        place = np.empty(len(self) + 1, int)
        place[local] = np.arange(local.shape[1])
        place[shared] = local.shape[1] + np.arange(len(shared))
        values = self._spread(parts, place, local.shape[1] + len(shared))
        return Bordered(Sets(np.repeat(of_point, 3), local, shared),
                        values.reshape(-1, values.shape[2]))

    @cached_property
    def split(self) -> str | None:
        """The scope whose instances are eliminated one by one; None if that is not worth it."""
        fit = [s for s in self.scopes
               if s.splits_poses and not any(q.held for q in s.quantities)]
        most = max(fit, key=lambda s: int(np.prod(s.shape)), default=None)
        return most.name if most is not None and np.prod(most.shape) >= _MANY else None

    def _spread(self, parts, place, width):
        """Derivatives at the places that the columns have."""
        n = len(parts[0].instance)
        out = np.zeros((n, 3, width))
        for scope, instance, derivatives in parts:
            columns = place[self.columns(scope)]
            if len(columns) == 1 and (instance == 0).all():
                out[:, :, columns[0]] = derivatives
                continue
            rows = np.flatnonzero(instance >= 0)
            out[rows[:, None], :, columns[instance[rows]]] = (
                derivatives[rows].transpose(0, 2, 1))
        return out


def _name(quantity, scope, instance):
    if scope == RIG:
        return quantity.name
    return f"{quantity.name} of {f'{scope} {instance}' if instance else f'the {scope}'}"


def placed(points: Points, stand: np.ndarray) -> list[Part]:
    """Derivatives of points by the rig and by the stand (int, shape (n,)) that each is of."""
    return [Part(RIG, np.zeros(len(stand), int), points.by_parameters),
            Part(STAND, stand, points.by_placement)]


def _homes(instance, of_point, count):
    """The only instance of the split scope that shares points with each of `count`, else -1."""
    least, most = np.full(count, np.iinfo(int).max), np.full(count, -1)
    there = instance >= 0
    np.minimum.at(least, instance[there], of_point[there])
    np.maximum.at(most, instance[there], of_point[there])
    return np.where(least == most, most, -1)


def _padded(rows):
    """Rows of different lengths under each other, with -1 behind the shorter ones."""
    out = np.full((len(rows), max(map(len, rows))), -1)
    for i, row in enumerate(rows):
        out[i, : len(row)] = row
    return out


#: Of a stand, and of a set-up of a total station.
PLACED = tuple(
    Quantity(what, "deg" if what == "heading" else "m",
             "clockwise from north" if what == "heading" else "of the boom foot pin")
    for what in PLACEMENT)
CORRECTED = tuple(
    Quantity(what, "deg" if what == "orientation" else "m", "what the set-up's own value lacks")
    for what in CORRECTIONS)


def layout_of(rig: Rig, stands: Iterable[str], set_ups: tuple[str, ...] = ()) -> Layout:
    """The unknowns of a rig, of the stands it is on, and of set-ups of a total station."""
    own = tuple(Quantity(p.name, p.unit, p.means, p.held) for p in rig.parameters)
    return Layout((
        Scope(RIG, own, ("",)),
        Scope(STAND, PLACED, tuple(stands), splits_poses=True),
        Scope(SET_UP, CORRECTED, set_ups),
    ))
