"""What crews call the corners of the edge and the readings, in several languages.

Common practice, no source.
"""

import re
from collections.abc import Sequence

from calib.intake.files.field_units import last_words, plain, without_unit

PAIRS = (
    ("left", "right"), ("l", "r"), ("lft", "rgt"), ("lh", "rh"),
    ("lt", "rt"),
    ("links", "rechts"), ("li", "re"), ("gauche", "droite"), ("gauche", "droit"), ("g", "d"),
    ("izquierda", "derecha"), ("izquierdo", "derecho"), ("izq", "der"), ("i", "d"),
    ("sinistra", "destra"), ("sinistro", "destro"), ("sx", "dx"),
    ("vanster", "hoger"), ("venstre", "hoyre"), ("venstre", "hojre"), ("v", "h"),
    ("vasen", "oikea"),
)
"""Left and right, a pair for each way to write them; both must be found."""

PLACES = frozenset(
    "position pos place location site spot platz ort stelle lieu plaats plats plass sted paikka "
    "posicion sitio lugar posizione luogo".split())
"""Where the machine stands, at the head of a column of a sheet whose poses share its words."""

_READINGS = {
    "boom": "bm|ausleger|monoblockausleger|fleche|pluma|giek|bom|puomi",
    "stick": "stk|arm|dipper|stiel|loffelstiel|balancier|balancin|lepelsteel|sticka|stikke|"
             "kaivuvarsi",
    "coupler": "cplr|koppel|quick coupler|attache|schnellwechsler|attache rapide|snelwissel|"
               "redskapsfaste|hurtigkobling|pikaliitin|enganche|enganche rapido|"
               "attacco rapido",
    "bucket": "bkt|loffel|godet|cazo|bak|skopa|skop|skuffe|kauha",
    "tilt": "tilt rotator tilt|inclinaison|inclinacion|inclinazione|tilten|kipp|kippung",
    "rotate": "rot|rotation|rotator|rotator rotation|dreh|drehung|rotatie|rotacion|rotazione",
    "house_pitch": "pitch|body pitch|neigung langs|lutning langs|helling langs|langsneigung|"
                   "nick|nicken|tangage|cabeceo|beccheggio",
    "house_roll": "roll|body roll|neigung quer|lutning tvars|helling dwars|querneigung|"
                  "rollen|roulis|alabeo|rollio",
    "swing": "boom swing|schwenk",
    "upper_boom": "second boom|verstellausleger|upper boom",
}
_FILLING = re.compile(r"\b(angle|winkel|sensor|reading|vinkel|hoek|kulma|angulo|angolo)\b"
                      r"|(winkel|vinkel|hoek|kulma)\b")
_MEANS = {word: name for name, words in _READINGS.items()
          for word in (name.replace("_", " "), *words.split("|"))}


def reading_meant(header: str) -> str | None:
    """The reading that a header means; None if none.

    Examples
    --------
    >>> reading_meant("Boom angle [deg]"), reading_meant("Auslegerwinkel"), reading_meant("PDOP")
    ('boom', 'boom', None)
    >>> reading_meant("boom_deg"), reading_meant("Nick"), reading_meant("Koppelwinkel")
    ('boom', 'house_pitch', 'coupler')
    """
    words = without_unit(header)[0]
    return next((_MEANS[bare] for said in (words, *(name for name, _ in last_words(words)))
                 if (bare := plain(_FILLING.sub(" ", said))) in _MEANS), None)


_PARTS = {
    "edge": "edge|corner|blade|lip|ecke|kante|schneide|hoek|snijrand|coin|bord|lame|esquina|filo|"
            "angolo|lama|horn|hjorne|hjornet|egg|skar|kulma|huulilevy",
    "foot": "foot|feet|base|fuss|voet|pied|pie|piede|fot|fod|juuri|faste|feste",
    "pin": "pin|bolzen|zapfen|pen|axe|bulon|perno|bult|bolt|tapp|tappi",
    "mid": "mid|middle|centre|center|mitte|midden|milieu|medio|centro|mitten|midt|keski",
    "left": "|".join(left for left, _ in PAIRS if len(left) > 1),
    "right": "|".join(right for _, right in PAIRS if len(right) > 1),
    **{part: part + "|" + _READINGS[part] for part in ("boom", "stick", "bucket")},
}
_SMALL = frozenset("de du des la le les el del della of the".split())
"""Words between those for a part that say nothing of it."""

_LONGEST = 8
"""What has more letters is no abbreviation."""

_PART = {word: part for part, words in _PARTS.items() for word in words.split("|")}


def abbreviated(word: str, targets: Sequence[str], least: int = 1, abroad: bool = True
                ) -> list[str]:
    """The targets whose parts begin with the letters of a word, in any order, the fullest first.

    All parts in any language, or some of them in ours. A single letter tells nothing.

    Parameters
    ----------
    least : int
        How many parts must be said.
    abroad : bool
        Also in other languages.

    Examples
    --------
    >>> rig = ("boom_foot_left", "stick_pin", "bucket_pin", "edge_left", "edge_right")
    >>> abbreviated("LE", rig), abbreviated("KR", rig), abbreviated("SP", rig)
    (['edge_left', 'boom_foot_left'], ['edge_right'], ['stick_pin', 'bucket_pin'])
    >>> abbreviated("LE", rig, 2), abbreviated("FL", rig, 2)
    (['edge_left'], ['edge_left', 'boom_foot_left'])
    """
    letters = plain(word).replace(" ", "")

    def said(left, parts, words):
        """The most parts that the letters left are the beginnings of; -1 if of none."""
        if not left:
            return 0
        return max((1 + rest for part in parts for size in range(1, len(left) + 1)
                    if any(w.startswith(left[:size]) for w in words.get(part, part).split("|"))
                    and (rest := said(left[size:], parts - {part}, words)) >= 0), default=-1)

    full = {}
    for target in targets if 1 < len(letters) <= _LONGEST else ():
        parts = frozenset(target.split("_"))
        whole, some = said(letters, parts, _PARTS) == len(parts), said(letters, parts, {})
        if max(some, abroad * whole * len(parts)) >= least:
            full[target] = (some < len(parts), not whole, -some)
    return sorted(full, key=lambda target: full[target])


def target_meant(said: str, targets: Sequence[str], sides: tuple[str, str] = ("l", "r")) -> str:
    """The one target whose name has every part of the machine that is said; "" for none.

    Parameters
    ----------
    sides : (str, str)
        How the crew writes left and right.

    Examples
    --------
    >>> rig = ("boom_foot_left", "boom_foot_right", "stick_pin", "bucket_pin", "edge_left")
    >>> [target_meant(said, rig) for said in ("foot pin L", "Stiel", "Löffelbolzen", "pin", "nail")]
    ['boom_foot_left', 'stick_pin', 'bucket_pin', '', '']
    """
    parts = set()
    for word in (word for word in plain(said).split() if word not in _SMALL):
        known = {"l": "left", "r": "right", sides[0][0]: "left", sides[1][0]: "right", **_PART,
                 sides[0]: "left", sides[1]: "right"}
        cut = next((i for i in range(3, len(word) - 2)
                    if word[:i] in _PART and word[i:] in _PART), None)
        if word in known:
            parts.add(known[word])
        elif cut is not None:
            parts |= {_PART[word[:cut]], _PART[word[cut:]]}
        else:
            return ""
    fit = [target for target in targets if parts <= set(target.split("_"))]
    # Some pins are called after what they carry: the foot pin.
    fit = fit or [target for target in targets if parts - {"pin"} <= set(target.split("_"))]
    return fit[0] if len(fit) == 1 and parts else ""
