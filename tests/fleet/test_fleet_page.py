"""What the page of a fleet says."""

from types import SimpleNamespace

from calib.document.fleet import FleetParameter
from calib.report.pages.fleet import _parameters


def test_of_what_was_not_taped_nothing_is_counted():
    """None beyond three sds would be praise; of two that were taped none is."""
    table = _parameters(SimpleNamespace(parameters=[FleetParameter(
        name=name, unit="m", runs=4, taped=taped, median_difference=None, spread=None, beyond=0,
        differences=None) for name, taped in (("edge_reach", 0), ("edge_drop", 2))]))
    assert [row[-1] and str(row[-1]) for row in table.rows] == [None, "0"]
