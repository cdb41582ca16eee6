"""A sensor's scale is told alike by every command that finds one."""

from calib.document.explored import EffectSize, EffectTried
from calib.judge import facts
from calib.judge.trends import SCALE, Trend
from calib.report.pages.explored import _in_words
from calib.report.words.mistake import mistake_says
from calib.report.words.trend import trend_says


def test_one_wording():
    """The same sensor, 0.44 % too much: by solve, by diagnose, by explore."""
    tried = {name: None for name in EffectTried.model_fields} | {
        "name": "stick_scale", "words": "words", "verdict": "asked for", "others": [], "dof": 1,
        "solved": True, "parameters": [EffectSize(name="stick_scale", value=-0.396, sd=0.045,
                                                  unit="deg")]}
    said = (trend_says(Trend(SCALE, "stick", 0.44, 0.05, "%", 60.0, 1, 0.0, ())),
            mistake_says(facts.Gain("stick", 0.0044)), _in_words(EffectTried(**tried)))
    assert all("he stick sensor shows 0.44" in words and "too much in proportion" in words
               for words in said), said
    assert "0.44 ± 0.05 % (1 sd)" in said[0] and "0.44 ± 0.05 % (1 sd)" in said[2]
