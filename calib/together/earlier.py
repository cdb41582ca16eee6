"""The machine of an earlier result as prior knowledge of a run: a new bucket, or a short re-check.

What comes with the attachment is left to the run; all else that the result estimated is known
beforehand, with its full covariance.
"""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from calib.chain.circle import differences
from calib.chain.rig import Rig
from calib.judge.common import rows_about
from calib.judge.same_model import SAME, chain_differences
from calib.judge.survey import Survey, same_rows
from calib.machine import machine_of
from calib.run.records import Machine, Run
from calib.together.joint import NotTogether
from calib.together.scopes import ATTACHMENT, usual_scopes


def known_of(rig: Rig, survey: Survey, source: str, sha256: str = "") -> Machine:
    """What a result says of the parts of a machine that a new attachment does not change.

    Parameters
    ----------
    rig : Rig
        Of the new run.
    survey : Survey
        Of the result.
    source, sha256 : str
        What to call it, and the hash of its file.

    Raises
    ------
    NotTogether
        If the result is of another machine, or holds what the new run estimates, or the other
        way round.
    """
    _refuse_others(rig, survey)
    scopes = usual_scopes(rig)
    names = tuple(p.name for p in rig.parameters if scopes[p.name] != ATTACHMENT
                  and p.name in survey.estimated and not (p.held and not p.until_shot))
    index = survey.index(names)
    machine = machine_of(names, survey.parameters[index],
                         survey.covariance[np.ix_(index, index)], source, sha256)
    earlier, tape = survey.machine, survey.tape
    if earlier is None:
        return replace(machine, shots=(survey.identity,), tape=rows_about(survey, tape, names))
    return replace(
        machine,
        before=(earlier.sha256, *earlier.before) if earlier.sha256 and earlier.names == names
        else (),
        shots=(survey.identity, *earlier.shots) if earlier.shots else (),
        tape=rows_about(survey, tape.joined(earlier.tape), names))


def with_machine(run: Run, survey: Survey, source: str, sha256: str = "") -> Run:
    """A run with what a result says of its machine.

    Tape rows that took part in the result too are in it already: they are left out.

    Raises
    ------
    NotTogether
        As `known_of`, or if the run's shots took part in the result.
    """
    earlier = survey.machine.shots if survey.machine else ()
    if run.files.get("shots.csv", "unknown") in (survey.identity, *earlier):
        raise NotTogether([(source, "the result of these very shots", "a result of other shots")])
    machine = known_of(run.rig, survey, source, sha256)
    twice = same_rows(run.tape, machine.tape)
    return replace(run, machine=machine, tape=run.tape.select(~twice),
                   unused=run.unused.joined(run.tape.select(twice)))


def _refuse_others(rig, survey):
    if rig.reading_names != survey.rig.reading_names or chain_differences(survey.rig, rig):
        raise NotTogether([("rig.toml", f"another machine, {rig.title}, or other sensors",
                            "motions, readings, directions and sensors as in the result")])
    if problems := list(_refused_holds(rig, survey)):
        raise NotTogether(problems)


def _refused_holds(rig, survey) -> Iterator[tuple[str, str, str]]:
    """Complaints of parameters of the machine that one of the two holds."""
    scopes = usual_scopes(rig)
    for p in rig.parameters:
        if scopes[p.name] == ATTACHMENT or p.until_shot or p.name not in survey.rig.parameter_names:
            continue
        (i,) = survey.index([p.name])
        held = p.name not in survey.estimated
        if held != p.held:
            how = {True: "held", False: "estimated"}
            yield "rig.toml", f"{p.name} {how[p.held]}", f"{how[held]} as in the result"
        elif held and abs(differences(survey.parameters[i], p.start, p.unit)) > SAME:
            yield "rig.toml", f"{p.name} held at another value", "the value of the result"
