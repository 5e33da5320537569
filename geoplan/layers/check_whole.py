"""What is to be said of a layer as a whole: its units, its ids, its file.

Enters: a layer as read.
Leaves: findings, and lines of the file that are no rows.
Does not do: look at single values or geometries.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geoplan.layers.columns import Match, check_units_known
from geoplan.layers.findings import build_findings, build_set_aside
from geoplan.layers.read import RawLayer
from geoplan.tables import InputLayer, Severity


def check_whole_layer(
    layer: InputLayer,
    matches: Sequence[Match],
    values: pd.DataFrame,
    is_generated: npt.NDArray[np.bool_],
    raw: RawLayer,
) -> list[pd.DataFrame]:
    """Return what is to be said of a layer as a whole: units, ids, heights, the reader.

    Parameters
    ----------
    layer : InputLayer
        Declaration.
    matches : sequence of Match
        Which column is which.
    values : pandas.DataFrame, n rows
        With ids.
    is_generated : ndarray of bool, shape (n,)
        Rows whose id was made here.
    raw : RawLayer
        Rows as read.

    Returns
    -------
    list of pandas.DataFrame
        Findings.
    """
    found = [check_units_known(layer, matches)]
    has_column = any(match.column.name == layer.id_column and match.field for match in matches)
    key = f"[layers.{layer.name}.columns]"
    if not has_column and len(values):
        reason = f"no column {layer.id_column}: rows are named by rank, from west to east"
        found.append(
            build_findings(
                layer.name,
                "",
                "id_missing",
                Severity.NOTE,
                reason,
                f'Map it under {key}: {layer.id_column} = "name in the file".',
            )
        )
    elif is_generated.any():
        found.append(
            build_findings(
                layer.name,
                values.loc[is_generated, layer.id_column],
                "id_missing",
                Severity.WARNING,
                f"the row has no {layer.id_column}: named by rank",
                "Give it an id.",
            )
        )
    if shapely.has_z(raw.geometry).any():
        found.append(
            build_findings(
                layer.name,
                "",
                "z_ignored",
                Severity.NOTE,
                "geometries have a third coordinate: not used",
                "Bring heights as columns.",
            )
        )
    found += [
        build_findings(
            layer.name, "", "reader_warning", Severity.NOTE, text, "Check the file in a GIS."
        )
        for text in raw.warnings
    ]
    return found


def set_torn_lines_aside(layer: InputLayer, torn: tuple[str, ...]) -> list[pd.DataFrame]:
    """Return the lines of a CSV that fell apart as rows set aside.

    Parameters
    ----------
    layer : InputLayer
        Declaration.
    torn : tuple of str
        The lines, sorted.

    Returns
    -------
    list of pandas.DataFrame
        Empty or one, code ``line_torn``; having no row, they are named by rank.
    """
    if not torn:
        return []
    return [
        build_set_aside(
            layer.name,
            [f"line-{rank}" for rank in range(1, len(torn) + 1)],
            "line_torn",
            [f"a line has too few or too many cells: '{text[:80]}'" for text in torn],
            "Put text that holds a separator in quotes.",
            np.full(len(torn), None, dtype=object),
        )
    ]


def tell_widened(layer: InputLayer, count: int) -> pd.DataFrame:
    """Return the note that lines were widened.

    Parameters
    ----------
    layer : InputLayer
        Declaration.
    count : int
        How many.

    Returns
    -------
    pandas.DataFrame
        One finding, code ``lines_widened``.
    """
    return build_findings(
        layer.name,
        "",
        "lines_widened",
        Severity.NOTE,
        f"{count} {layer.name} came as lines: widened to their width",
        "Bring outlines for a true edge.",
    )
