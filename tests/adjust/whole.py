"""One test and one sum, of what the program makes many of at once."""

from calib.adjust.reliability import GroupTests


def group_test(adjustment, rows=(), block=None, readings=(), priors=()):
    """A group of `rows`, the `readings` of `block` and `priors`, tested for a bias of any form."""
    return GroupTests.of(adjustment).test_all([(rows, block, readings, priors)])[0]


def total_redundancy(checks) -> float:
    """Sum of all redundancy numbers: the degrees of freedom."""
    families = (checks.observation_redundancy, checks.reading_redundancy, checks.prior_redundancy)
    return float(sum(family.sum() for family in families))
