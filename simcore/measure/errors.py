"""The one exception of this room, and the sentence for a misspelt name."""

import difflib


class MeasureError(ValueError):
    """A measure cannot be computed; the text is one sentence that says why."""


def unknown_name(kind, name, known):
    """(kind, name, known names) => sentence with the nearest known name, or a few of them."""
    near = difflib.get_close_matches(str(name), list(known), n=1)
    if near:
        return f'{kind} "{name}": unknown. Did you mean "{near[0]}"?'
    return f'{kind} "{name}": unknown. Known are {", ".join(sorted(known))}.'
