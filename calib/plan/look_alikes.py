"""Machines that a plan's shots could not tell from the true one, and what a tape does about it."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from calib.chain.rig import Rig


@dataclass(frozen=True)
class KeptOut:
    """A taped value that alone keeps mirrored or relabelled machines out."""

    quantity: str | None  #: A parameter; None for machines that no usual tape keeps out.
    machines: tuple[str, ...]  #: What is different about them, in words.


def kept_out(rig: Rig, look_alikes: Sequence[tuple[str, Sequence[str]]],
             known: Collection[str] = ()) -> list[KeptOut]:
    """The fewest further taped values found that keep out all machines which fit as well.

    Parameters
    ----------
    look_alikes : sequence of (str, sequence of str)
        What is different about a machine, and the parameters in which it differs by what a tape
        could see.
    known : collection of str
        What is taped already: the machines that differ in it are kept out.
    """
    look_alikes = [(says, differs) for says, differs in look_alikes if not {*known} & {*differs}]
    taped = {p.name for p in rig.parameters if p.tape_sd is not None}
    # A length is read off a tape; an angle would need a level and a protractor.
    lengths = {p.name for p in rig.parameters if p.name in taped and p.unit == "m"}
    left = {says: lengths & set(differs) or taped & set(differs) for says, differs in look_alikes}
    found = []
    while any(left.values()):
        names = sorted({name for differs in left.values() for name in differs})
        best = max(names, key=lambda name: sum(name in differs for differs in left.values()))
        found.append(KeptOut(best, tuple(says for says in left if best in left[says])))
        left = {says: differs for says, differs in left.items() if best not in differs}
    if left:
        found.append(KeptOut(None, tuple(left)))
    return found
