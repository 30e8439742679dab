"""Everything as named meshes in one binary glTF 2.0 file, for phones and viewers.

glTF wants metres, Y up and +Z forward, so one node turns and shrinks what hangs under it; below it
all numbers are millimetres in our own frame, as its name and extras say. Source: Khronos glTF 2.0
specification, 3.4 (coordinate system and units) and 4.4 (GLB layout).
"""

from __future__ import annotations

import json
import struct
from collections.abc import Mapping
from typing import Any

import numpy as np

from fitscan.report.exchange.solids import Solid, rgb

__all__ = ["glb_of"]

_MAGIC, _VERSION, _JSON, _BIN = 0x46546C67, 2, 0x4E4F534A, 0x004E4942
_FLOAT, _UNSIGNED = 5126, 5125
_VERTICES, _INDICES = 34962, 34963
# Column by column: X forward becomes +Z, Y left becomes +X, Z up becomes +Y; mm become m.
_METRES_FROM_MM = [0, 0, 1e-3, 0, 1e-3, 0, 0, 0, 0, 1e-3, 0, 0, 0, 0, 0, 1]


def glb_of(solids: list[Solid], facts: Mapping[str, Any], generator: str) -> bytes:
    """Content of the file.

    Args:
        solids: at least one.
        facts: what is to be kept with the scene: frame, units, caution, files.
        generator: name and version of the program.
    """
    buffer = bytearray()
    views: list[dict[str, Any]] = []
    accessors: list[dict[str, Any]] = []
    colours = list(dict.fromkeys(s.colour for s in solids))
    meshes, nodes = [], []
    for s in solids:
        vertices = s.mesh.vertices.astype("<f4")
        corners = s.mesh.faces.astype("<u4").reshape(-1)
        place = _put(buffer, views, vertices.tobytes(), _VERTICES)
        accessors.append(
            {
                "bufferView": place, "componentType": _FLOAT, "count": len(vertices),
                "type": "VEC3", "min": vertices.min(axis=0).tolist(),
                "max": vertices.max(axis=0).tolist(),
            }
        )  # fmt: skip
        place = _put(buffer, views, corners.tobytes(), _INDICES)
        accessors.append(
            {
                "bufferView": place, "componentType": _UNSIGNED, "count": len(corners),
                "type": "SCALAR",
            }
        )  # fmt: skip
        primitive = {
            "attributes": {"POSITION": len(accessors) - 2}, "indices": len(accessors) - 1,
            "material": colours.index(s.colour), "mode": 4,
        }  # fmt: skip
        meshes.append({"name": s.name, "primitives": [primitive]})
        nodes.append({"name": s.name, "mesh": len(meshes) - 1, "extras": {"text": s.text}})
    root = {
        "name": "car, mm", "matrix": _METRES_FROM_MM, "children": list(range(1, len(nodes) + 1)),
        "extras": dict(facts),
    }  # fmt: skip
    document = {
        "asset": {"version": "2.0", "generator": generator},
        "scene": 0,
        "scenes": [{"name": "survey", "nodes": [0]}],
        "nodes": [root, *nodes],
        "meshes": meshes,
        "materials": [_material(c) for c in colours],
        "accessors": accessors,
        "bufferViews": views,
        "buffers": [{"byteLength": len(buffer)}],
    }
    text = json.dumps(document, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return _file(text.encode("utf-8"), bytes(buffer))


def _put(buffer: bytearray, views: list[dict[str, Any]], data: bytes, target: int) -> int:
    views.append(
        {"buffer": 0, "byteOffset": len(buffer), "byteLength": len(data), "target": target}
    )
    buffer += data  # floats and whole numbers of four bytes: always aligned
    return len(views) - 1


def _material(colour: str) -> dict[str, Any]:
    # glTF's colours are linear; ours are sRGB (IEC 61966-2-1).
    value = np.array(rgb(colour)) / 255.0
    linear = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    shine = {"metallicFactor": 0.0, "roughnessFactor": 0.8}
    return {
        "name": colour, "doubleSided": True,
        "pbrMetallicRoughness": {"baseColorFactor": [*linear.tolist(), 1.0], **shine},
    }  # fmt: skip


def _file(text: bytes, binary: bytes) -> bytes:
    text += b" " * (-len(text) % 4)
    binary += b"\0" * (-len(binary) % 4)
    total = 12 + 8 + len(text) + 8 + len(binary)
    return (
        struct.pack("<III", _MAGIC, _VERSION, total)
        + struct.pack("<II", len(text), _JSON)
        + text
        + struct.pack("<II", len(binary), _BIN)
        + binary
    )
