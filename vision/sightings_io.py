"""Sightings in and out as JSON documents (`sightings/1`): what was seen in a photo, kept so that nothing is measured twice."""

from __future__ import annotations

from typing import Any

import numpy as np

from vision.sightings import PhotoSightings, Refusal, Sighting

SCHEMA = "sightings/1"


def to_document(seen: PhotoSightings) -> dict[str, Any]:
    """Plain lists and numbers; covariances as ``[xx, xy, yy]`` per corner, px²."""
    return {
        "schema": SCHEMA,
        "photo": seen.photo,
        "width_px": seen.width_px,
        "height_px": seen.height_px,
        "found": [
            {
                "board": s.board,
                "corner_ids": s.corner_ids.tolist(),
                "px": s.px.tolist(),
                "cov_px2": s.cov_px[:, [0, 0, 1], [0, 1, 1]].tolist(),
                "markers_read": s.markers_read,
                "blur_px": s.blur_px,
                "excess": s.excess,
            }
            for s in seen.found
        ],
        "refused": [{"board": r.board, "reason": r.reason, "markers_read": r.markers_read} for r in seen.refused],
    }


def from_document(doc: dict[str, Any]) -> PhotoSightings:
    """The sightings of a document written by `to_document`.

    Raises
    ------
    ValueError
        Another schema.
    """
    if doc.get("schema") != SCHEMA:
        raise ValueError(f"sightings have schema {doc.get('schema')!r}, this version reads {SCHEMA!r}")
    found = []
    for row in doc["found"]:
        packed = np.asarray(row["cov_px2"], dtype=float).reshape(-1, 3)
        cov = packed[:, [0, 1, 1, 2]].reshape(-1, 2, 2)
        ids = np.asarray(row["corner_ids"], dtype=np.int64)
        px = np.asarray(row["px"], dtype=float).reshape(-1, 2)
        found.append(
            Sighting(row["board"], ids, px, cov, int(row["markers_read"]), float(row["blur_px"]), float(row.get("excess", 1.0)))
        )
    refused = tuple(Refusal(r["board"], r["reason"], int(r["markers_read"])) for r in doc["refused"])
    return PhotoSightings(doc["photo"], int(doc["width_px"]), int(doc["height_px"]), tuple(found), refused)
