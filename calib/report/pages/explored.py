"""An exploration as a document and as text: which effects a run asks for, and what they do."""

from collections.abc import Sequence
from textwrap import wrap

from calib.document.explored import Adopted, EffectFound, EffectSize, EffectTried, Explored
from calib.explore.found import Exploration, Tested, Verdict
from calib.explore.rivals import Rival
from calib.explore.tried import RUN_LEVEL
from calib.report.blocks import value_cells
from calib.report.numbers import SHOWN, unit_factor
from calib.report.pages.diagnosis import before_and_after
from calib.report.spoken import spoken, spoken_values
from calib.report.words.effect import VERDICTS, untold_says
from calib.report.words.mistake import mistake_says
from calib.report.words.suspect import scale_says

SCALE_OF, QUARTER_TURN = "_scale", 90.0
"""Ending of the effects that are a sensor's scale, which is what they add in so many degrees."""

_CHI2 = ("By what solving with an effect takes off chi2: chi-square, the stated sds at their word "
         "(Wilks 1938), after a score test (Rao 1948)")
_F = ("The run does not fit its stated sds, so they count in proportion only: F of nested models, "
      "after a score test (Rao 1948)")
_TOGETHER = (", over all effects together (minP, Westfall and Young 1993). AIC: Akaike 1974, BIC: "
             "Schwarz 1978.")


def explored_document(found: Exploration, next_commands: Sequence[str] = (),
                      adopted: Adopted | None = None) -> Explored:
    """What `calib explore` prints."""
    return Explored.like(
        found,
        says=_says(found),
        mistake=None if found.rival is None else _rival_says(found.rival),
        set_aside=found.aside.names,
        instead=found.instead if found.found else [],
        found=[EffectFound(effect=_tried(f.tested), alike=[_tried(t) for t in f.alike])
               for f in found.found],
        effects=[_tried(t) for t in found.tested],
        test=(_CHI2 if found.stated else _F) + _TOGETHER,
        run_level=RUN_LEVEL,
        next=list(next_commands),
        adopted=adopted,
    )


def explored_text(document: Explored) -> str:
    """For the terminal; at most 100 columns are not promised for long names."""
    lines = [document.says]
    lines += [f"- {spoken(f.effect.name)}: {_found_says(f)}" for f in document.found]
    if document.instead:
        lines += [f"It would do as well if these were wrong: {spoken_values(document.instead)}. "
                  "Look at them first."]
    if document.set_aside:
        lines += [f"Set aside, being out by more than chance: {spoken_values(document.set_aside)}."]
    tested = sorted((e for e in document.effects if e.statistic is not None),
                    key=lambda e: (e.bic or 0.0, e.name))
    if tested:
        width = max(len(e.name) for e in tested)
        lines += ["", "Each effect by itself, on the run as it is:",
                  f"  {'':{width}s}  {'size (sd)':34s}{'edge':>7s}{'seen':>8s}{'chance':>8s}"
                  f"{'BIC':>8s}"]
        for verdict, same in _grouped(tested, _verdict):
            lines += [f"{verdict}:", *(f"  {e.name:{width}s}  {_numbers(e)}" for e in same)]
        lines += ["", *wrap(
            "edge: what it changes at the edge, worst over the envelope, mm. seen: what one that "
            "is found in four of five such runs changes there, mm. chance: that some effect of a "
            f"run without any does as much for the fit; below {document.run_level:g} it is asked "
            f"for. BIC: with it less without. {document.test}", 98)]
    rest = [e for e in document.effects if e.statistic is None]
    if rest:
        lines += [""]
    for says, same in _grouped(rest, lambda e: f"{e.verdict}{f' ({e.why})' if e.why else ''}"):
        lines += wrap(f"{says[0].upper()}{says[1:]}: {', '.join(e.name for e in same)}.", 98,
                      subsequent_indent="  ")
    text = "\n".join(lines) + "\n" + _adopted_text(document.adopted)
    if document.next:
        text += "\nNext:\n" + "".join(f"  {command}\n" for command in document.next)
    return text


def _grouped(effects, key):
    """Effects with the same key together, in the order of the first of each."""
    groups: dict[str, list[EffectTried]] = {}
    for effect in effects:
        groups.setdefault(key(effect), []).append(effect)
    return groups.items()


def _says(found: Exploration) -> str:
    """The finding in a sentence or two."""
    if found.rival is not None:
        first = ("The run does not fit" if not found.fits else
                 "A field mistake explains the run better than any effect does")
        return f"{first}. {_rival_says(found.rival)}"
    if not found.tested:
        return ("The run is too far from fitting to ask which effect it lacks. See calib diagnose "
                "first.")
    if not found.found:
        if not found.fits:
            return ("The run does not fit, and no effect known here explains it. See calib "
                    "diagnose.")
        return "The shots ask for none of the effects that the rig leaves out."
    names = [" or ".join(t.effect.name for t in (f.tested, *f.alike)) for f in found.found]
    listed = "; and for ".join(names)
    rest = "" if found.fits else (" Even with what was found the run does not fit: see calib "
                                  "diagnose.")
    return f"The shots ask for {listed}.{rest}"


def _rival_says(rival: Rival) -> str:
    if rival.fact is None:
        return (f"What lowers its misfit most is no effect but a number of another kind "
                f"({rival.family}), and that does not mend it: look at the trends and the plots of "
                "the report.")
    return f"See calib diagnose first: {mistake_says(rival.fact)}"


def _found_says(found: EffectFound) -> str:
    best = found.effect
    says = (f"{_in_words(best)}. It changes the edge by up to "
            f"{1000 * (best.edge or 0.0):.1f} mm.")
    if found.alike:
        others = "; ".join(f"{spoken(t.name)} ({_in_words(t)})" for t in found.alike)
        says += f" These shots cannot tell it from {others}."
    return says


def _in_words(effect: EffectTried) -> str:
    """What it is and how large; of a sensor's scale in the words of the other commands."""
    size = effect.parameters[0]
    if effect.name.endswith(SCALE_OF):
        share, sd = -size.value / QUARTER_TURN, size.sd / QUARTER_TURN
        return (f"{scale_says(effect.name.removesuffix(SCALE_OF), share, sd)} ({_sizes(effect)} "
                "in a quarter turn)")
    return f"{effect.words}, {_sizes(effect)}"


def _sizes(effect: EffectTried) -> str:
    return ", ".join(f"{spoken(p.name)} {_shown(p)}" for p in effect.parameters)


def _shown(size: EffectSize) -> str:
    value, sd, _ = value_cells(size.value, size.sd, size.unit)
    return f"{value} {SHOWN[size.unit][0]} (sd {sd})"


def _numbers(effect: EffectTried) -> str:
    """The numbers of a row."""
    sizes = [value_cells(p.value, p.sd, p.unit) for p in effect.parameters]
    size = (f"{', '.join(str(v) for v, _, _ in sizes)} ({', '.join(str(s) for _, s, _ in sizes)}) "
            f"{SHOWN[effect.parameters[0].unit][0]}")
    numbers = [(1e3, effect.edge, 7, 1), (1e3, effect.unseen, 8, 1), (1, effect.chance, 8, 3),
               (1, effect.bic, 8, 1)]
    return f"{size:34s}" + "".join(
        f"{'-' if value is None else f'{factor * value:.{digits}f}':>{width}s}"
        for factor, value, width, digits in numbers)


def _verdict(effect: EffectTried) -> str:
    others = " or ".join(effect.others)
    if effect.verdict == VERDICTS[Verdict.EXPLAINED]:
        return f"Explained by {others}"
    if effect.verdict == VERDICTS[Verdict.ALIKE]:
        return "Asked for, one of them"
    return effect.verdict.capitalize()


def _tried(tested: Tested) -> EffectTried:
    return EffectTried.like(
        tested, name=tested.effect.name, words=tested.effect.words,
        verdict=VERDICTS[tested.verdict],
        why=None if tested.why is None else untold_says(tested.why),
        parameters=[EffectSize.like(s, value=s.value * unit_factor(s.unit),
                                    sd=s.sd * unit_factor(s.unit)) for s in tested.sizes])


def _adopted_text(adopted: Adopted | None) -> str:
    """What was written, and what it does; empty if nothing was."""
    return "" if adopted is None else "\n".join([
        "", f"{adopted.folder} is a copy of the run whose rig.toml lists "
        f"{', '.join(adopted.effects)} under effects. The run itself is as it was.",
        *before_and_after(adopted, 22, 14), ""])
