"""Code names as people say them."""

from collections.abc import Collection, Iterable, Sequence


def spoken(name: str) -> str:
    """A code name in words.

    >>> spoken("edge_left")
    'edge left'
    """
    return name.replace("_", " ")


def spoken_values(names: Iterable[str], readings: Collection[str] = (), most: int | None = None
                  ) -> str:
    """Values by the names that ``--set-aside`` takes, in words, those of a kind together.

    Parameters
    ----------
    names : iterable of str
    readings : collection of str
        Those of the rig, if they are known: only with them ``POSE/READING`` is told from a shot.
    most : int, optional
        Of each kind so many are named, and how many more there are.

    Examples
    --------
    >>> spoken_values(["07-left", "02/stick", "03/stick", "tape:stick_zero"], ["boom", "stick"])
    'shot 07-left; stick readings of poses 02, 03; taped stick zero'
    """
    kinds: dict[tuple[str, str], list[str]] = {}
    for name in names:
        pose, _, reading = name.rpartition("/")
        prefix, _, rest = name.partition(":")
        if pose and reading in readings:
            said = spoken(reading)
            kind, what = (f"{said} reading of pose", f"{said} readings of poses"), pose
        elif rest and prefix in ("pose", "sight"):
            kind, what = (prefix, f"{prefix}s"), rest
        elif rest and prefix == "tape":
            kind, what = ("taped", "taped"), spoken(rest)
        else:
            kind, what = ("value", "values") if pose and not readings else ("shot", "shots"), name
        kinds.setdefault(kind, []).append(what)
    return "; ".join(f"{kind[len(of) > 1]} {few(of, most or len(of))}"
                     for kind, of in kinds.items())


def few(names: Sequence[str], most: int) -> str:
    """The first of some names, and how many more there are.

    >>> few(["boom", "stick", "tilt"], 2)
    'boom, stick and 1 more'
    """
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more
