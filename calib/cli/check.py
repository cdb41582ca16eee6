"""``calib check``: a result against independent check shots."""

from pathlib import Path

import numpy as np
import typer

from calib.calibration import Solution
from calib.cli.onward import follow_on
from calib.console import talk
from calib.judge.choice import solve_as_chosen
from calib.judge.goal import edge_known
from calib.judge.shot_checks import check_shots, tolerance_for
from calib.report.numbers import unit_factors
from calib.report.pages.checked import checked_document, checked_text
from calib.results import Result, load_result
from calib.run.complaints import InputError
from calib.run.folder import CHECK, read_run


def check(result: Path, shots: Path | None, run: Path | None, tolerance: float | None, json: bool
          ) -> None:
    """Predict check shots and judge the misses."""
    told = load_result(result)
    folder = run or told.path.resolve().parent.parent
    data = read_run(folder, shots)
    talk.tell_all(data.notices)
    if data.check is None:
        follow_on(told.document, result)
        raise InputError.of(shots or folder / CHECK, "no check shots",
                            "shots that took no part in the solve, written like shots.csv")
    with talk.working(f"Predicting {len(data.check)} check shots"):
        choice = told.document.set_aside.choice
        solution = solve_as_chosen(data, choice).solution
        _refuse_other(told, solution)
        allowed, origin = tolerance_for(data.rig, tolerance and tolerance / 1000,
                                        edge_known(solution, ()).noise95)
        document = checked_document(
            solution, check_shots(solution, data.check, allowed), origin, told.document)
    talk.answer(document, checked_text(document), json)
    if document.passed:
        follow_on(told.document, result)
    else:
        talk.follow("diagnose", folder)
        raise typer.Exit(talk.GATE_FAILED)


def _refuse_other(told: Result, solution: Solution):
    """Complain unless solving the run again gives the result."""
    records = told.document.parameters
    names = tuple(record.name for record in records)
    same = names == solution.rig.parameter_names
    if same:
        factor = unit_factors(p.unit for p in solution.rig.parameters)
        was = np.array([record.value for record in records]) / factor
        sd = np.sqrt(np.diag(solution.covariance))
        same = bool((np.abs(was - solution.parameters) <= 0.02 * sd + 1e-9).all())
    if not same:
        raise InputError.of(told.path, "a result that this run no longer gives",
                            "the result of the run as it is now; solve it again")
