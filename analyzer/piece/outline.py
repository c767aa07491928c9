"""The piece's outline in the picture, from the shares of the learned classes."""

from __future__ import annotations

import math

import cv2
import numpy as np

from analyzer.base.flags import SurfaceError
from analyzer.door import specimen as look
from analyzer.door.specimen import Specimen
from analyzer.photo.reading import Photo
from analyzer.piece.cylinder_fit import Target

# A judgement, no source.
LEAVES_SHARE = 0.02  # of the outline's length on the picture's edge


def leaves_picture(outline_px: np.ndarray, photo: Photo) -> bool:
    """Whether a stretch of the metal's outline lies on the picture's own edge."""
    x, y = outline_px[:, 0], outline_px[:, 1]
    on_edge = (x < 2) | (y < 2) | (x > photo.width_px - 3) | (y > photo.height_px - 3)
    closed, edge = np.vstack([outline_px, outline_px[:1]]), np.append(on_edge, on_edge[:1])
    along = np.linalg.norm(np.diff(closed, axis=0), axis=1)
    return float(along[edge[1:] & edge[:-1]].sum()) > LEAVES_SHARE * float(along.sum())


def window_of(pixels: np.ndarray, photo: Photo, margin: int = 4) -> tuple[int, int, int, int]:
    x0, y0 = np.floor(pixels.min(0)).astype(int) - margin
    x1, y1 = np.ceil(pixels.max(0)).astype(int) + margin + 1
    return max(0, int(x0)), max(0, int(y0)), min(photo.width_px, int(x1)), min(photo.height_px, int(y1))


def share_in(found: Specimen, plane: np.ndarray, window: tuple[int, int, int, int]) -> np.ndarray:
    """A class plane of the network's window laid on a window (x0, y0, x1, y1) of the photo."""
    x0, y0, x1, y1 = window
    shift = (np.array([x0, y0]) - np.asarray(found.origin)) / found.step
    matrix = np.array([[1 / found.step, 0, shift[0]], [0, 1 / found.step, shift[1]]])
    return cv2.warpAffine(
        np.ascontiguousarray(plane, np.float32),
        matrix,
        (x1 - x0, y1 - y0),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_CONSTANT,
    )


def pipe_part(found: Specimen) -> np.ndarray:
    """(h, w) bool over the network's window: the largest connected piece."""
    part = look.largest(found.pipe > 0.5)
    if part is None:
        raise SurfaceError("The pipe is too small in the picture; take the photo again from nearer.")
    return part


def edge_target(found: Specimen, mask: np.ndarray, photo: Photo) -> Target:
    """Signed distance to the edge of ``mask`` (shares over the network's window), three times as fine."""
    fine = cv2.resize(mask.astype(np.float32), None, fx=3, fy=3, interpolation=cv2.INTER_CUBIC)
    inside = (fine > 0.5).astype(np.uint8)
    distance = cv2.distanceTransform(inside, cv2.DIST_L2, 5) - cv2.distanceTransform(1 - inside, cv2.DIST_L2, 5)
    # the distance runs to the nearest pixel centre on the other side: half a pixel too far
    distance -= 0.5 * np.sign(distance)
    step = found.step / 3
    shift = (0.5 / 3 - 0.5) * found.step
    return Target(
        distance=(distance * step).astype(np.float32), origin=(found.origin[0] + shift, found.origin[1] + shift),
        step=step, picture=(photo.width_px, photo.height_px),
    )  # fmt: skip


def face_mask(found: Specimen) -> np.ndarray:
    """(h, w) shares of the face: metal and what covers it, the largest connected part, holes closed."""
    face = found.face.copy()
    # a strip of tape that was not told from the table may part the face in two
    part = look.largest(
        cv2.morphologyEx((face > 0.5).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((13, 13), np.uint8)) > 0
    )
    if part is None:
        raise SurfaceError("No face of the pipe is seen; take the photo again with the pipe in good light.")
    contours, _ = cv2.findContours(part.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    filled = cv2.drawContours(np.zeros(part.shape, np.uint8), contours, -1, 1, -1)
    core = cv2.erode(filled, np.ones((3, 3), np.uint8)) > 0
    near = cv2.dilate(filled, np.ones((3, 3), np.uint8)) > 0
    return np.where(core, 1.0, np.where(near, face, 0.0)).astype(np.float32)


def outline_points(found: Specimen, mask: np.ndarray) -> np.ndarray:
    contours, _ = cv2.findContours((mask > 0.5).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return found.to_photo(max(contours, key=cv2.contourArea)[:, 0])


def outer_ellipse(share: np.ndarray, ring: np.ndarray) -> tuple[tuple[float, float], tuple[float, float], float, float]:
    """Ellipse through the outer edge of a ring of class shares: centre, axes (full), angle in degrees, spread in pixels.

    Each direction from the middle gives the farthest crossing of one half; burrs and gaps fall out by their distance
    from the ellipse.
    """
    hull = cv2.convexHull(np.argwhere(ring)[:, ::-1].astype(np.float32))[:, 0]
    (cx, cy), axes, angle = cv2.fitEllipse(_dense(hull, 200))
    turn = np.linspace(0, 2 * np.pi, 360, endpoint=False)
    reach = np.arange(0.25, 0.75 * max(axes), 0.25)
    x = (cx + reach[None] * np.cos(turn)[:, None]).astype(np.float32)
    y = (cy + reach[None] * np.sin(turn)[:, None]).astype(np.float32)
    over = cv2.remap(share.astype(np.float32), x, y, cv2.INTER_LINEAR) > 0.5
    last = over.shape[1] - 1 - np.argmax(over[:, ::-1], axis=1)
    found = over.any(axis=1)
    points = np.stack([x[np.arange(360), last], y[np.arange(360), last]], 1)[found] + np.float32(0)
    kept = np.ones(len(points), bool)
    spread = 1.0
    for _ in range(6):
        if kept.sum() < 30:
            break
        (cx, cy), axes, angle = cv2.fitEllipse(points[kept])
        c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
        local = (points - np.array([cx, cy], np.float32)) @ np.array([[c, -s], [s, c]])
        ratio = np.hypot(local[:, 0] / (axes[0] / 2), local[:, 1] / (axes[1] / 2))
        distance = (ratio - 1) * np.hypot(local[:, 0], local[:, 1])
        spread = float(1.4826 * np.median(np.abs(distance[kept] - np.median(distance[kept]))))
        kept = np.abs(distance - np.median(distance[kept])) < max(2.5 * spread, 0.3)
    return (cx, cy), (axes[0], axes[1]), angle, spread


def _dense(polygon: np.ndarray, count: int) -> np.ndarray:
    """Points evenly spaced along a closed polygon."""
    closed = np.concatenate([polygon, polygon[:1]])
    run = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    at = np.linspace(0, run[-1], count, endpoint=False)
    return np.stack([np.interp(at, run, closed[:, k]) for k in (0, 1)], 1).astype(np.float32)
