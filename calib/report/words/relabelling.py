"""What is said of other ways to read the files, and of the machines that they would make."""

from calib.judge import relabelling as ways
from calib.judge.equivalent import Equivalent
from calib.judge.relabelling import Relabelling
from calib.report.spoken import spoken


def relabelling_says(relabelling: Relabelling) -> str:
    """What was taken for one another, as part of a sentence."""
    return _told(relabelling)[0]


def relabelling_edit(relabelling: Relabelling) -> str:
    """What to change in the files if that is how it was; without a full stop."""
    return _told(relabelling)[1]


def _told(relabelling):
    names, one = relabelling.names, len(relabelling.names) == 1
    both, several = " and ".join(names), ", ".join(names)
    two, those = " and ".join(map(spoken, names)), ", ".join(map(spoken, names))
    return {
        ways.TARGETS: (f"{two} exchanged in all poses",
                       f"Exchange {both} in the column target of shots.csv"),
        ways.READINGS: (f"the readings {two} exchanged",
                        f"Exchange the columns {both} of readings.csv"),
        ways.SIGNS: (f"the {'sign of the reading' if one else 'signs of the readings'} {those} "
                     "reversed",
                     f"Change the sign of the {'column' if one else 'columns'} {several} of "
                     f"readings.csv, or {'its direction' if one else 'their directions'} under "
                     "[readings] of rig.toml"),
        ways.EAST_AND_NORTH: ("east and north exchanged in all shots",
                              "Exchange the columns east and north of shots.csv"),
        ways.HEIGHTS: ("all heights of the other sign",
                       "Change the sign of the column up of shots.csv"),
    }[relabelling.what]


def equivalent_says(machine: Equivalent) -> str:
    """What is different about a machine that fits as well, as part of a sentence."""
    parts = [] if machine.relabelling is None else [relabelling_says(machine.relabelling)]
    if machine.turned is not None:
        parts.append(f"{spoken(machine.turned)} half a turn further")
    return " and ".join(parts)
