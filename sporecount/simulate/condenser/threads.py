"""Long thin things: hairs of the butterfly, fibres of paper and cloth, threads of mould."""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.simulate.condenser.exam import Exam
from sporecount.simulate.condenser.noise import Rng, log_uniform
from sporecount.simulate.condenser.sheets import Sheets


def _curve(rng: Rng, exam: Exam, length_um: float, bend: float) -> np.ndarray:
    """Points (n, 2) in pixels, one for about each pixel of the way, of a curve through the view."""
    n = max(int(length_um / exam.um_per_px), 8)
    turn = rng.uniform(0, 2 * np.pi) + bend * np.cumsum(
        np.interp(np.arange(n), np.linspace(0, n, 7), rng.normal(size=7)) / n * 4
    )
    steps = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    line = np.cumsum(steps, axis=0)
    through = np.array([rng.uniform(0, exam.shape[1]), rng.uniform(0, exam.shape[0])])
    return line - line[rng.integers(n)] + through


def _lay(
    rng: Rng,
    exam: Exam,
    sheets: Sheets,
    line: np.ndarray,
    radius_um: np.ndarray,
    kind: str,
    plane: str,
    density: np.ndarray,
    core: float,
    path_um: float,
    colour: np.ndarray,
) -> None:
    """Lay a thread whose radius changes along the line; `core` 1 absorbs in the middle, 0 at the edges."""
    px = exam.um_per_px
    pad = int(radius_um.max() / px) + 3
    left, top = np.maximum(np.floor(line.min(0)).astype(int) - pad, 0)
    right = min(int(line[:, 0].max()) + pad, exam.shape[1])
    low = min(int(line[:, 1].max()) + pad, exam.shape[0])
    if right - left < 3 or low - top < 3:
        return
    # The nearest point of the line tells each pixel its distance and its place along the thread. The line
    # may run outside of the view, so the box is wider than what is laid.
    box = np.ones((low - top + 2 * pad, right - left + 2 * pad), np.uint8)
    at = np.round(line - (left - pad, top - pad)).astype(int)
    inside = (at >= 0).all(1) & (at[:, 0] < box.shape[1]) & (at[:, 1] < box.shape[0])
    if not inside.any():
        return
    at, exact, radius = at[inside], line[inside] - (left - pad, top - pad), radius_um[inside]
    box[at[:, 1], at[:, 0]] = 0
    _, label = cv2.distanceTransformWithLabels(box, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    of_label = np.zeros(int(label.max()) + 1, np.int64)
    of_label[label[at[:, 1], at[:, 0]]] = np.arange(len(at))
    nearest = of_label[label]
    y, x = np.mgrid[0 : box.shape[0], 0 : box.shape[1]]
    # Distance to the tangent is smoother than to the nearest point of the pixel grid.
    tangent = np.gradient(cv2.blur(exact, (1, 9)), axis=0) if len(exact) > 9 else np.ones_like(exact)
    tangent /= np.maximum(np.linalg.norm(tangent, axis=1, keepdims=True), 1e-9)
    ex, ey = x - exact[nearest, 0], y - exact[nearest, 1]
    side = np.abs(ex * tangent[nearest, 1] - ey * tangent[nearest, 0])
    ahead = np.abs(ex * tangent[nearest, 0] + ey * tangent[nearest, 1])
    away = np.where(ahead > 2.5, np.hypot(ex, ey), side) * px
    wide = radius[nearest]
    keep = (slice(pad, pad + low - top), slice(pad, pad + right - left))
    away, wide = away[keep], wide[keep]
    cover = np.clip(0.5 + (wide - away) / px, 0, 1).astype(np.float32)
    v = np.clip(away / np.maximum(wide, 0.1), 0, 1)
    profile = core * np.sqrt(1 - v**2) + (1 - core) * np.exp(-(((1 - v) / 0.28) ** 2))
    grain = 1 + 0.2 * rng.normal(size=64)[(nearest[keep] // max(int(3 / px), 1)) % 64]
    amount = cover * profile * np.clip(grain, 0.3, None)
    sheets.lay(
        (int(left), int(top)),
        plane,
        kind,
        (amount[..., None] * density).astype(np.float32),
        (path_um * np.sqrt(1 - v**2) * cover).astype(np.float32),
        cover,
        over_spores=True,
        colour=colour.astype(np.float32),
        opaque=0.7,
    )


def hair(rng: Rng, exam: Exam, sheets: Sheets) -> None:
    """Lay a bristle: slightly bent, tapering, amber to black with a brighter core."""
    line = _curve(rng, exam, log_uniform(rng, 120, 700), 0.35)
    radius = rng.uniform(1.0, 3.2) * np.linspace(1, 0.15, len(line)) ** 0.6
    dark = rng.uniform(0.3, 1.6)
    colour = np.array([0.12, 0.06, 0.03])
    _lay(
        rng, exam, sheets, line, radius, "hair", "raised" if rng.random() < 0.6 else "print",
        dark * np.array([0.55, 0.75, 1.0]), rng.uniform(0.2, 0.8), rng.uniform(0.2, 1.0), colour,
    )  # fmt: skip


def fibre(rng: Rng, exam: Exam, sheets: Sheets) -> None:
    """Lay a fibre of paper or cloth: a clear ribbon with dark edges that twists and is wavy, some dyed."""
    line = _curve(rng, exam, log_uniform(rng, 200, 1600), rng.uniform(0.8, 2.4))
    along = np.arange(len(line)) * exam.um_per_px
    twist = 0.65 + 0.35 * np.abs(np.cos(along / rng.uniform(20, 90) + rng.uniform(0, 3)))
    radius = rng.uniform(3.5, 11) * twist
    dyed = rng.random() < 0.3
    density = (
        rng.uniform(0.25, 1.0) * rng.uniform(0.1, 1.0, 3) if dyed else rng.uniform(0.05, 0.5) * np.ones(3)
    )
    _lay(
        rng, exam, sheets, line, radius, "fibre", str(rng.choice(["print", "raised", "tape"], p=[0.4, 0.4, 0.2])),
        density, 0.5 if dyed else 0.1, rng.uniform(0.3, 1.8), np.array([0.7, 0.7, 0.72]),
    )  # fmt: skip


def mould_thread(rng: Rng, exam: Exam, sheets: Sheets) -> None:
    """Lay a hypha with cross walls, some with branches."""
    line = _curve(rng, exam, log_uniform(rng, 60, 400), 1.6)
    tone = np.array([0.8, 0.85, 1.0]) * rng.uniform(0.1, 0.6)
    for _ in range(int(rng.integers(1, 4))):
        radius = np.full(len(line), rng.uniform(0.9, 1.8))
        bends, grey = rng.uniform(0.02, 0.15), np.full(3, 0.25)
        _lay(rng, exam, sheets, line, radius, "other", "print", tone, 0.35, bends, grey)
        if len(line) < 24:
            break
        start = int(rng.integers(len(line) // 4, 3 * len(line) // 4))
        branch = _curve(rng, exam, 0.5 * len(line) * exam.um_per_px, 1.2)
        line = branch - branch[0] + line[start]


def lay_threads(rng: Rng, exam: Exam, sheets: Sheets) -> None:
    """Lay all hairs, fibres and threads of mould; they lie over the spores."""
    for name, draw in (("hair", hair), ("fibre", fibre), ("thread", mould_thread)):
        for _ in range(min(int(rng.poisson(exam.per_mm2[name] * exam.view_mm2)), 12)):
            draw(rng, exam, sheets)
