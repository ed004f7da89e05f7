"""The records that flow from photo to tally. No algorithms here.

Integer coordinate = pixel centre, origin at the top left, arrays `[row, col]`. Positions named
`x_px, y_px` are in the upright, full-size photo; `row, col` are on the working grid and never leave
the steps. Arrays are read-only. Zero rows are a normal answer.
"""

from __future__ import annotations

from sporecount.records.field import (
    CLUTTER_KINDS,
    KINDS,
    SIMULATED_CAMERA,
    Candidates,
    Clutter,
    FieldPreview,
    FieldResult,
    FieldTally,
    FlatField,
    Kinds,
    Objects,
    Photo,
    RoundView,
    Scale,
    ScaleSource,
    WorkImage,
)
from sporecount.records.session import (
    FailedPhoto,
    FalseRate,
    OwnRecall,
    PrintTally,
    Provenance,
    Readers,
    SessionResult,
    SporeSize,
)

__all__ = [
    "CLUTTER_KINDS", "KINDS", "SIMULATED_CAMERA", "Candidates", "Clutter", "FailedPhoto", "FalseRate",
    "FieldPreview", "FieldResult", "FieldTally", "FlatField", "Kinds", "Objects", "OwnRecall", "Photo",
    "PrintTally", "Provenance", "Readers", "RoundView", "Scale", "ScaleSource", "SessionResult", "SporeSize",
    "WorkImage",
]  # fmt: skip
