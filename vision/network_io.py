"""A network's joint estimate in and out (NPZ, `network-state/2`), whole or not at all.

Covariances are kept as their upper triangles, row by row. `network-state/1` knew no printed places of corners and is refused.
"""

from __future__ import annotations

import io
import json
import zipfile
from pathlib import Path

import numpy as np

from vision.errors import FileError
from vision.frames import Array
from vision.network import NetworkState
from vision.toml_io import write_whole

SCHEMA = "network-state/2"


def state_bytes(state: NetworkState) -> bytes:
    """The state as the bytes of an NPZ file (no pickle)."""
    head = {
        "schema": SCHEMA,
        "datum": state.datum,
        "names": list(state.names),
        "boards": dict(state.boards),
        "variance_factor": state.variance_factor,
        "chi_square": state.chi_square,
        "redundancy": state.redundancy,
        "noise_share": state.noise_share,
        "row_drift_px": state.row_drift_px,
        "sources": list(state.parts),
    }
    buffer = io.BytesIO()
    arrays = {"head": np.array(json.dumps(head)), "value": state.value, "cov": _triangle(state.cov)}
    arrays |= {f"part_{i}": _triangle(part) for i, part in enumerate(state.parts.values())}
    # Digits of covariances do not compress: half a second for nothing.
    np.savez(buffer, allow_pickle=False, **arrays)
    return buffer.getvalue()


def _triangle(matrix: Array) -> Array:
    return np.asarray(matrix[np.triu_indices(len(matrix))], dtype=float)


def _whole(triangle: Array, size: int) -> Array:
    out = np.zeros((size, size))
    out[np.triu_indices(size)] = triangle
    return out + np.triu(out, 1).T


def write_state(path: Path, state: NetworkState) -> None:
    write_whole(path, state_bytes(state))


def read_state(path: Path) -> NetworkState:
    """Read a state written by `write_state`.

    Raises
    ------
    FileError
        Missing, damaged, or of another version.
    """
    hint = "run bayfix survey again"
    try:
        with np.load(path, allow_pickle=False) as archive:
            head = json.loads(str(archive["head"]))
            if head.get("schema") != SCHEMA:
                raise FileError(f"{path} has schema {head.get('schema')!r}, this version reads {SCHEMA!r}", hint=hint)
            value = archive["value"]
            cov = _whole(archive["cov"], len(value))
            parts = {source: _whole(archive[f"part_{i}"], len(value)) for i, source in enumerate(head["sources"])}
    except FileNotFoundError as err:
        raise FileError(f"{path}: no such file", hint=hint) from err
    except (OSError, EOFError, ValueError, KeyError, zipfile.BadZipFile) as err:
        raise FileError(f"{path}: damaged or not written by bayfix: {err}", hint=hint) from err
    return NetworkState(
        head["datum"],
        tuple(head["names"]),
        value,
        cov,
        parts,
        head["boards"],
        float(head["variance_factor"]),
        float(head["chi_square"]),
        int(head["redundancy"]),
        float(head.get("noise_share", 0.0)),
        float(head.get("row_drift_px", 0.0)),
    )
