"""What the package may not do at all: run a shell, load code from data, speak to a network."""

from __future__ import annotations

import ast
import io
import struct
import time
import zlib
from collections.abc import Iterator
from pathlib import Path

import pytest
from PIL import Image

from fitscan.photos.container import MAX_PIXELS, PhotoProblem
from fitscan.photos.read import read_header, read_photo

PACKAGE = Path(__file__).resolve().parents[1] / "fitscan"

CODE_FROM_DATA = {"pickle", "cPickle", "dill", "cloudpickle", "marshal", "shelve", "jsonpickle"}
NETWORK = {"socket", "ssl", "urllib", "http", "ftplib", "smtplib", "telnetlib", "requests",
           "httpx", "aiohttp", "urllib3", "xmlrpc", "socketserver", "asyncio"}  # fmt: skip
# The phone's page is served to the workshop's own network, and to nobody else.
SERVES = {"page"}
CALLS = {"eval", "exec", "compile", "__import__"}
SHELLS = {"os.system", "os.popen", "os.spawnl", "subprocess.getoutput"}


def faults(source: str, *, serves: bool = False) -> Iterator[str]:
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import | ast.ImportFrom):
            names = [a.name for a in node.names]
            roots = [node.module or ""] if isinstance(node, ast.ImportFrom) else names
            for root in (name.partition(".")[0] for name in roots):
                if root in CODE_FROM_DATA or (root in NETWORK and not serves):
                    yield f"line {node.lineno}: import of {root}"
        if isinstance(node, ast.Call):
            yield from _call_faults(node)


def _call_faults(node: ast.Call) -> Iterator[str]:
    name = node.func
    if isinstance(name, ast.Name) and name.id in CALLS:
        yield f"line {node.lineno}: {name.id}()"
    on_module = isinstance(name, ast.Attribute) and isinstance(name.value, ast.Name)
    if on_module and ast.unparse(name) in SHELLS:
        yield f"line {node.lineno}: {ast.unparse(name)}()"
    for option in node.keywords:
        is_true = isinstance(option.value, ast.Constant) and option.value.value is True
        if option.arg in {"shell", "allow_pickle"} and is_true:
            yield f"line {node.lineno}: {option.arg}=True"


def test_no_module_runs_a_shell_loads_code_from_data_or_speaks_to_a_network() -> None:
    files = sorted(PACKAGE.rglob("*.py"))
    assert len(files) > 100
    found = [
        f"{file.relative_to(PACKAGE)}, {fault}"
        for file in files
        for fault in faults(
            file.read_text(encoding="utf-8"),
            serves=file.relative_to(PACKAGE).parts[0] in SERVES,
        )
    ]
    assert found == []


@pytest.mark.parametrize(
    "source",
    [
        "import pickle",
        "from urllib.request import urlopen",
        "import a, socket",
        "eval('1')",
        "import os\nos.system('ls')",
        "import subprocess\nsubprocess.run('ls', shell=True)",
        "import numpy as np\nnp.load('x', allow_pickle=True)",
        "def f():\n    import http.client",
    ],
)
def test_each_of_them_would_be_found(source: str) -> None:
    assert list(faults(source))


def png_bomb(side: int) -> bytes:
    """A small file whose head promises a giant picture, compressed zeros behind it."""
    head = struct.pack(">II5B", side, side, 8, 0, 0, 0, 0)
    rows = zlib.compress(bytes(1 << 22), 9)

    def chunk(kind: bytes, content: bytes) -> bytes:
        check = struct.pack(">I", zlib.crc32(kind + content))
        return struct.pack(">I", len(content)) + kind + content + check

    parts = chunk(b"IHDR", head) + chunk(b"IDAT", rows) * 50 + chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + parts


def giant_jpeg() -> bytes:
    """A JPEG whose frame header says 65,500 px each way."""
    out = io.BytesIO()
    Image.new("L", (64, 64), 90).save(out, "JPEG")
    data = bytearray(out.getvalue())
    at = data.index(b"\xff\xc0") + 5
    data[at : at + 4] = struct.pack(">HH", 65_500, 65_500)
    return bytes(data)


@pytest.mark.parametrize(
    ("name", "data"),
    [("bomb.png", png_bomb(100_000)), ("a.png", png_bomb(14_142)), ("giant.jpg", giant_jpeg())],
    ids=["bomb", "200 megapixels", "jpeg"],
)
def test_a_decompression_bomb_is_refused_from_its_head(
    tmp_path: Path, name: str, data: bytes
) -> None:
    (tmp_path / name).write_bytes(data)
    begun = time.monotonic()
    for read in (read_header, read_photo):
        with pytest.raises(PhotoProblem, match="is larger than 150 megapixels"):
            read(tmp_path / name)
    assert time.monotonic() - begun < 5.0
    assert MAX_PIXELS >= 108_000_000  # the largest that phones' sensors read without guessing
