"""Runs of one invented machine with several attachments, and what is done to it in between."""

from dataclasses import replace

import numpy as np

from calib.simulate import drawn_parameters, simulate
from calib.together.scopes import Visit


def family(rig, seed, attachments=("digging", "grading", "digging", "grading"), poses=12,
           stands=1, changed=None):
    """Runs, visits and the shared truth of a machine that was visited with each attachment.

    Taped once: the tape of what all share is that of the first run. `changed` is what was added
    to parameters in a run: {run: {name: m or rad}}.
    """
    rng = np.random.default_rng(seed)
    base, edges, runs, visits = drawn_parameters(rig, rng), {}, [], []
    edge = [i for i, name in enumerate(rig.parameter_names) if name.startswith("edge")]
    for k, attachment in enumerate(attachments):
        truth = base.copy()
        truth[edge] = edges.setdefault(attachment, drawn_parameters(rig, rng)[edge])
        for name, by in (changed or {}).get(k, {}).items():
            truth[rig.parameter_names.index(name)] += by
        run, _ = simulate(rig, rng, poses=poses, stands=stands, parameters=truth)
        if runs:
            first = runs[0].tape
            value = [own if name.startswith("edge") else one for name, own, one in zip(
                run.tape.quantities, run.tape.value, first.value, strict=True)]
            run = replace(run, tape=replace(run.tape, value=np.array(value)))
        runs.append(run)
        visits.append(Visit(f"run{k}", attachment, f"day{k}"))
    return runs, visits, base
