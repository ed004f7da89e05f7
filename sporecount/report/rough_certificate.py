"""The certificate of a scale without a ruling: the photo with what was marked in it, and what it is worth."""

from __future__ import annotations

import base64
from collections.abc import Sequence

import cv2
import numpy as np

from sporecount.calibration.profile import fingerprint, stated
from sporecount.calibration.records import AdapterProfile
from sporecount.records import RoundView
from sporecount.report.certificate import CAUTIONS, template

BY_LENGTH = (
    "A thing of known length was marked by hand. Its standard uncertainty joins 2 px for marking an end, the "
    "spread of repeated drawings, how well the length is known, and 1 % for a tilt or a distortion of the view "
    "that one length cannot show."
)
BY_VIEW = (
    "The round view is as large on the specimen as the eyepiece's field number divided by the magnification. The "
    "standard uncertainty joins 3 % for the engraved magnification, 2 % for the field number and 1 % for the edge."
)
ROUGH = "Approximate: every count made with it is flagged. Calibrate with a ruling when you can."

_DARK, _LIGHT = (30, 20, 0), (255, 245, 120)


def marked_photo(
    preview: bytes, width_px: int, lines_px: Sequence[Sequence[float]], view: RoundView | None = None
) -> bytes:
    """Draw what was marked into a reduced photo.

    Parameters
    ----------
    preview : bytes
        The photo, upright and reduced, JPEG.
    width_px : int
        Of the photo at its full size.
    lines_px : sequence of (x, y, x, y)
        In pixels of the photo at its full size.
    view : RoundView, optional
        Drawn when it is what the scale was told from.

    Returns
    -------
    bytes
        JPEG.
    """
    picture = cv2.imdecode(np.frombuffer(preview, np.uint8), cv2.IMREAD_COLOR)
    if picture is None:
        raise ValueError("the reduced photo could not be decoded")
    zoom = picture.shape[1] / width_px

    def place(x: float, y: float) -> tuple[int, int]:
        return round((x + 0.5) * zoom - 0.5), round((y + 0.5) * zoom - 0.5)

    for colour, wide in ((_DARK, 4), (_LIGHT, 2)):
        for x0, y0, x1, y1 in lines_px:
            cv2.line(picture, place(x0, y0), place(x1, y1), colour, wide, cv2.LINE_AA)
            for end in (place(x0, y0), place(x1, y1)):
                cv2.circle(picture, end, 9, colour, wide, cv2.LINE_AA)
        if view is not None:
            middle = place(view.center_x_px, view.center_y_px)
            cv2.circle(picture, middle, round(view.radius_px * zoom), colour, wide, cv2.LINE_AA)
    ok, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 85])
    if not ok:
        raise ValueError("the marked picture could not be encoded")
    return data.tobytes()


def rough_certificate_html(
    profile: AdapterProfile, photo: str, picture: bytes, remarks: Sequence[str], *, drawn: bool
) -> bytes:
    """Write the certificate: one page, self-contained, for screen and paper.

    Parameters
    ----------
    profile : AdapterProfile
        Without a ruling.
    photo : str
        Name of the photo.
    picture : bytes
        From `marked_photo`.
    remarks : sequence of str
    drawn : bool
        Whether a length was drawn; else the round view told.
    """
    page = template("rough_certificate.html").render(
        profile=profile,
        photo=photo,
        picture=base64.b64encode(picture).decode(),
        remarks=remarks,
        drawn=drawn,
        stated=stated,
        relative_percent=100 * profile.um_per_px_u / profile.um_per_px,
        fingerprint=fingerprint(profile),
        method=BY_LENGTH if drawn else BY_VIEW,
        cautions=(ROUGH, CAUTIONS[0], CAUTIONS[-1]),
    )
    return page.encode()
