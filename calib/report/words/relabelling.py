"""What is said of other ways to read the files, and of the machines that they would make."""

from calib.judge import relabelling as ways
from calib.judge.equivalent import Equivalent
from calib.judge.relabelling import Relabelling


def relabelling_says(relabelling: Relabelling) -> str:
    """What was taken for one another, as part of a sentence."""
    names = relabelling.names
    match relabelling.what:
        case ways.TARGETS:
            return f"{' and '.join(names)} exchanged in all poses"
        case ways.READINGS:
            return f"the readings {' and '.join(names)} exchanged"
        case ways.SIGNS:
            return (f"the sign of the reading {names[0]} reversed" if len(names) == 1
                    else f"the signs of the readings {', '.join(names)} reversed")
        case ways.EAST_AND_NORTH:
            return "east and north exchanged in all shots"
        case ways.HEIGHTS:
            return "all heights of the other sign"
    raise ValueError(f"a relabelling without words: {relabelling.what}")


def relabelling_edit(relabelling: Relabelling) -> str:
    """What to change in the files if that is how it was; without a full stop."""
    names = relabelling.names
    match relabelling.what:
        case ways.TARGETS:
            return f"Exchange {' and '.join(names)} in the column target of shots.csv"
        case ways.READINGS:
            return f"Exchange the columns {' and '.join(names)} of readings.csv"
        case ways.SIGNS:
            columns, directions = (("column", "its direction") if len(names) == 1
                                   else ("columns", "their directions"))
            return (f"Change the sign of the {columns} {', '.join(names)} of readings.csv, or "
                    f"{directions} under [readings] of rig.toml")
        case ways.EAST_AND_NORTH:
            return "Exchange the columns east and north of shots.csv"
        case ways.HEIGHTS:
            return "Change the sign of the column up of shots.csv"
    raise ValueError(f"a relabelling without words: {relabelling.what}")


def equivalent_says(machine: Equivalent) -> str:
    """What is different about a machine that fits as well, as part of a sentence."""
    parts = [] if machine.relabelling is None else [relabelling_says(machine.relabelling)]
    if machine.turned is not None:
        parts.append(f"{machine.turned} half a turn further")
    return " and ".join(parts)
