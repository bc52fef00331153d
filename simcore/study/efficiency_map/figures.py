"""The figures of a map."""


def draw_map(found, folder):
    """(EfficiencyMap, folder) => None."""
