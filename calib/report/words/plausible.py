"""What is said of values out of place, and of other machines that fit the shots as well."""

from calib.chain.parts import Parameter
from calib.chain.rig import Rig
from calib.judge import relabelling as ways
from calib.judge.equivalent import AS_WELL, Equivalent
from calib.judge.plausible import Odd, Plausibility, Teller, Weighed
from calib.judge.relabelling import Relabelling
from calib.report.numbers import in_words
from calib.report.spoken import spoken

#: Values named in one sentence.
_NAMED = 3

#: What tells two machines apart: of these quantities, or of none.
_TELLERS = {
    "tape": "the tape of {}", "sign": "the sign of {}", "range": "the range of {}",
    "start": "the starting value of {}",
    "all": "the shots, the tape and the starting values together",
}
_RULING_OUT = {"tape": "taped values", "sign": "signs", "range": "ranges",
               "start": "starting values", "all": "shots, tape and starting values together"}


def plausible_says(found: Plausibility) -> str:
    """The result in a few sentences."""
    turns = []
    for odd in found.whole_turns:
        p = _parameter(found.rig, odd.parameter)
        turns.append(f"The {spoken(p.name)} is {_shown(p, odd.value)}, the same as "
                     f"{_shown(p, odd.expected)}.")
    if found.passed:
        said = [f"Every value lies within its range{_kept_out(found)}.", *turns]
    else:
        said = [*(out_of_range_says(odd, found.rig) for odd in found.out_of_range),
                *(far_says(odd, found.rig) for odd in found.far_from_start),
                *(machine_says(other, found.rig) for other in found.untold),
                _advice(found), *turns]
    return " ".join(filter(None, said))


def out_of_range_says(odd: Odd, rig: Rig) -> str:
    """A value outside the range of its parameter."""
    p = _parameter(rig, odd.parameter)
    nature = ": it is positive by nature." if p.least > 0 > odd.value else "."
    return (f"The {spoken(p.name)} is {_shown(p, odd.value)} (sd {_shown(p, odd.sd)}), "
            f"not {p.range_words}{nature}")


def far_says(odd: Odd, rig: Rig) -> str:
    """A value far from its tape, or from what the rig file states."""
    p = _parameter(rig, odd.parameter)
    is_ = f"The {spoken(p.name)} is {_shown(p, odd.value)}"
    if odd.in_sds is not None:
        return f"{is_}, {odd.in_sds:.0f} sds from its tape of {_shown(p, odd.expected)}."
    return f"{is_}, far from the {_shown(p, odd.expected)} under [values] in rig.toml."


def machine_says(other: Weighed, rig: Rig) -> str:
    """Another machine, and what tells it from the one at hand."""
    machine = other.machine
    fit = "far better" if machine.excess < -AS_WELL else "equally well"
    what = equivalent_says(machine)
    says = (f"The same machine can be described with {what}"
            if machine.relabelling is None else f"These shots fit {fit} with {what}")
    if other.told_by is not None:
        return f"{says}; {teller_says(other.told_by)} tells which."
    instead = ", ".join(_instead(rig, machine, name) for name in machine.differs[:_NAMED])
    if other.evidence >= -AS_WELL:
        return f"{says} ({instead}), and nothing tells which."
    edit = "" if machine.relabelling is None else (
        f" {relabelling_edit(machine.relabelling)}, if so it was.")
    return f"{says}, and that is the more plausible machine ({instead}).{edit}"


def teller_says(teller: Teller) -> str:
    """What tells two machines apart, as part of a sentence."""
    return _TELLERS[teller.kind].format(" or ".join(map(spoken, teller.names[:2])))


def _advice(found):
    if found.would_tell:
        named = " and ".join(f"the {spoken(name)} ({name} in tape.csv)"
                             for name in found.would_tell)
        return f"Tape {named} to tell."
    if found.untold:
        return ("No taped value would tell: poses, or a second stand, in which these readings "
                "differ more would.")
    return ""


def _kept_out(found):
    """How many relabelled machines fit as well, and what kinds of knowledge rule them out."""
    others = [other for other in found.equivalents if other.machine.relabelling is not None]
    count = len({relabelling_says(other.machine.relabelling) for other in others})
    if not count:
        return ""
    kinds = {other.told_by.kind for other in others}
    what = " and ".join(words for kind, words in _RULING_OUT.items() if kind in kinds)
    machines = "other machine that fits" if count == 1 else "other machines that fit"
    return f"; {what} rule out {count} {machines} these shots as well"


def _instead(rig, machine, name):
    i = rig.parameter_names.index(name)
    its, own = (in_words(of[i], rig.parameters[i].unit) for of in (machine.parameters, machine.own))
    return f"{spoken(name)} {its} instead of {own}"


def _parameter(rig, name):
    return next(p for p in rig.parameters if p.name == name)


def _shown(parameter: Parameter, value):
    return in_words(value, parameter.unit)


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
