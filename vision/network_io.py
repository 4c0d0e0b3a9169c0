"""A network's joint estimate in and out (NPZ, `network-state/1`), whole or not at all."""

from __future__ import annotations

import io
import json
import zipfile
from pathlib import Path

import numpy as np

from vision.errors import FileError
from vision.network import NetworkState
from vision.toml_io import write_whole

SCHEMA = "network-state/1"


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
        "sources": list(state.parts),
    }
    buffer = io.BytesIO()
    arrays = {"head": np.array(json.dumps(head)), "value": state.value, "cov": state.cov}
    arrays |= {f"part_{i}": part for i, part in enumerate(state.parts.values())}
    np.savez_compressed(buffer, allow_pickle=False, **arrays)
    return buffer.getvalue()


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
            parts = {source: archive[f"part_{i}"] for i, source in enumerate(head["sources"])}
            value, cov = archive["value"], archive["cov"]
    except FileNotFoundError as err:
        raise FileError(f"{path}: no such file", hint=hint) from err
    except (OSError, ValueError, KeyError, zipfile.BadZipFile) as err:
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
    )
