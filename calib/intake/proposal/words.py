"""What crews call the corners of the edge and the readings, in several languages.

Common practice, no source.
"""

import re

from calib.intake.files.header_units import plain, without_unit

PAIRS = (
    ("left", "right"), ("l", "r"), ("lft", "rgt"), ("lh", "rh"),
    ("links", "rechts"), ("li", "re"), ("gauche", "droite"), ("g", "d"),
    ("izquierda", "derecha"), ("izq", "der"), ("i", "d"), ("sinistra", "destra"), ("sx", "dx"),
    ("vanster", "hoger"), ("venstre", "hoyre"), ("venstre", "hojre"), ("v", "h"),
    ("vasen", "oikea"),
)
"""Left and right, a pair for each way to write them; both must be found."""

_READINGS = {
    "boom": "ausleger|monoblockausleger|fleche|pluma|giek|bom|puomi",
    "stick": "arm|dipper|stiel|loffelstiel|balancier|lepelsteel|sticka|stikke|kaivuvarsi",
    "coupler": "quick coupler|schnellwechsler|attache rapide|snelwissel|redskapsfaste|"
               "hurtigkobling|pikaliitin",
    "bucket": "loffel|godet|cazo|bak|skopa|skuffe|kauha",
    "tilt": "tilt rotator tilt|tilten",
    "rotate": "rotation|rotator|rotator rotation|drehung|rotatie|rotacion|rotazione",
    "house_pitch": "pitch|langsneigung|nicken",
    "house_roll": "roll|querneigung|rollen",
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
    """
    return _MEANS.get(plain(_FILLING.sub(" ", without_unit(header)[0])))
