"""Code names as people say them."""


def spoken(name: str) -> str:
    """A code name in words.

    >>> spoken("edge_left")
    'edge left'
    """
    return name.replace("_", " ")
