"""What is said of a trend in the misses or the readings."""

import numpy as np

from calib.judge.trends import ALONG, LEFT, PLAY, REACH, SCALE, UP, Trend
from calib.report.spoken import spoken
from calib.report.words.suspect import scale_says

#: Words for more, for less, and for the direction.
_WAYS = {
    ALONG: ("further out", "nearer", "along the boom"),
    LEFT: ("further left", "further right", "across the boom"),
    UP: ("higher", "lower", "in height"),
}


def trend_name(trend: Trend) -> str:
    """What goes with what."""
    if trend.what == PLAY:
        return f"{spoken(trend.against)} against its direction of approach"
    if trend.what == SCALE:
        return f"{spoken(trend.against)} against itself"
    joint = trend.against if trend.against == REACH else f"the {spoken(trend.against)} joint"
    return f"{trend.what} against {joint}"


def trend_says(trend: Trend) -> str:
    """What one trend is, and what calib explore can ask of it."""
    if not trend.effects:
        return _seen(trend)
    *others, last = map(spoken, trend.effects)
    tests = f"{', '.join(others)} and {last}" if others else last
    return f"{_seen(trend)} calib explore tests {tests}."


def _seen(trend):
    size, sd = abs(trend.slope), trend.sd
    if trend.what == PLAY:
        return (f"The {spoken(trend.against)} reads {size:.2f} ± {sd:.2f} deg (1 sd) "
                f"{'higher' if trend.slope > 0 else 'lower'} when its joint came up to the pose "
                "than when it came down: play in a pin or a slow sensor?")
    if trend.what == SCALE:
        return f"T{scale_says(trend.against, trend.slope / 100, sd / 100)[1:]}."
    more, less, direction = _WAYS[trend.what]
    way = more if trend.slope > 0 else less
    if trend.against == REACH:
        sag = " It looks like sag." if trend.what == UP and trend.slope < 0 else ""
        return f"The edge comes out {size:.1f} ± {sd:.1f} mm (1 sd) {way} per m of reach.{sag}"
    joint = f"the {spoken(trend.against)} joint"
    if np.isnan(trend.slope):
        return f"The misses {direction} go round with {joint}."
    return f"The edge comes out {size:.2f} ± {sd:.2f} mm (1 sd) {way} per deg of {joint}."
