"""The figures of a map, each a page of its own."""

from simcore.report import pages


def draw_map(found, folder):
    """(EfficiencyMap, folder) => None.  PNG files of 1600 x 1132 pixels."""
    for name, figure in pages_of(found):
        pages.save_page(figure, folder / f"{name}.png")


def pages_of(found):
    """(EfficiencyMap) => (name, Figure) of each page; one at a time, as a page is large."""
    from simcore.study.efficiency_map import (
        figure_efficiency,
        figure_envelope,
        figure_limits,
        figure_lines,
        figure_losses,
        figure_temperatures,
    )
    from simcore.study.efficiency_map.field import Field, asked_axes

    field = None
    if all(len(values) > 1 for values in asked_axes(found)):
        field = Field(found)
    if field is not None and field.drawable:
        yield "map_efficiency", figure_efficiency.compose(field)
        yield "map_losses", figure_losses.compose(field)
        yield "map_limits", figure_limits.compose(field)
        if figure_temperatures.present(found):
            yield "map_temperatures", figure_temperatures.compose(field)
    elif len(found.points) > 1:
        yield "map_lines", figure_lines.compose(found)
    if len({edge.speed_rpm for edge in found.edges}) > 1:
        yield "map_envelope", figure_envelope.compose(found)
