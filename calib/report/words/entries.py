"""What is said of a list of entries: what each is, and what the list determines."""


from calib.chain.rig import Rig
from calib.entries.determined import Determined, Open
from calib.entries.schema import Entry
from calib.report.numbers import in_words
from calib.report.spoken import few, spoken

#: An own value that the system takes for granted is named if it is not zero; else they are listed.
_NAMED = 12


def entry_means(entry: Entry, rig: Rig) -> str:
    """What an entry is, in the rig's own words."""
    what = _sum(entry.weights, rig) if entry.measure is None else _measure(entry, rig)
    return what + (", sign changed" if entry.sign < 0 else "") + (
        f", plus {entry.plus:g} {entry.unit}" if entry.plus else "")


def _sum(weights, rig):
    means = {q.name: q.means for q in (*rig.parameters, *rig.derived)}
    if list(weights.values()) == [1.0]:
        name = next(iter(weights))
        return f"{spoken(name)}: {means[name]}"
    parts: list[str] = []
    for name, weight in weights.items():
        size = "" if abs(weight) == 1 else f"{abs(weight):g} "
        parts.append(f"{'less ' if weight < 0 else 'and ' if parts else ''}{size}{spoken(name)}")
    return " ".join(parts)


_WAYS = {"distance": "distance from {} to {}", "ahead": "from {} forward to {}",
         "left": "from {} left to {}", "above": "from {} up to {}",
         "bearing": "line from {} to {}, turned left of ahead",
         "inclination": "line from {} to {}, far end up",
         "angle": "angle at {2} from {0} to {1}"}


def _measure(entry: Entry, rig: Rig):
    corner, start, end = (spoken(name or "") for name in (entry.corner, entry.from_, entry.to))
    said = _WAYS[entry.measure or ""].format(start, end, corner)
    if entry.axes is not None:
        said += f", along the axes of {spoken(entry.axes)}"
    joints = [f"{spoken(name)} {entry.at[name]:g}" for name in rig.reading_names
              if entry.at.get(name)]
    return f"{said}, joints at {', '.join(joints)} deg" if joints else f"{said}, joints at zero"


def determined_says(found: Determined, rig: Rig) -> list[str]:
    """What a list of entries determines, leaves out and takes for granted, a sentence each."""
    return [_determines(found), *(open_says(o, rig) for o in found.open), *_taken(found, rig),
            *_beside(found)]


def _determines(found):
    if found.complete:
        return (f"The list determines the machine: all {found.needed} unknown values that move the "
                "edge follow from it.")
    return (f"The list does NOT determine the machine: of the {found.needed} values that this "
            f"machine needs it tells {found.rank}. It lacks "
            f"{', '.join(map(spoken, found.lacking))}: for each write one more [[entry]] if the "
            "system has a field for it, or under [known] the value that the system holds (m or "
            "deg): the sheet then says what that costs at the edge.")


def open_says(found: Open, rig: Rig) -> str:
    """What moves the edge and changes no entry."""
    first, *others = map(spoken, found.direction.names)
    unit = next(p.unit for p in rig.parameters if p.name == found.direction.names[0])
    moves = (f"{in_words(found.change, unit, deg='.1f')} of it move{'s' * (unit == 'deg')} the "
             f"edge by up to {1000 * found.moves:.0f} mm")
    if not others:
        return f"Left out: {first}. No entry changes with it, and {moves}."
    together = ", ".join(others[:-1]) + (" and " if others[:-1] else "") + others[-1]
    return (f"Left out: {first} together with {together}. No entry tells them apart, and {moves}, "
            "the others going with it.")


def _taken(found, rig):
    if not found.taken:
        return []
    units = {p.name: p.unit for p in rig.parameters}
    said = [f"{spoken(name)} {in_words(v, units[name], '.6g', '.6g')}" for name, v in found.taken]
    return [f"The system is taken to hold of its own: {few(said, _NAMED)}."]


def _beside(found):
    said = []
    if found.unmoved:
        said.append("Nothing to do with the edge: " + ", ".join(map(spoken, found.unmoved)) + ".")
    for names in found.tied:
        said.append(f"Asked more often than needed: one of {', '.join(names)} follows from the "
                    "others, and must be typed so that all agree.")
    return said
