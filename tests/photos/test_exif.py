from datetime import datetime

from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from fitscan.photos.exif import ExifFacts, read_exif


def block(main: dict[int, object], detail: dict[int, object]) -> bytes:
    exif = Image.Exif()
    for tag, value in main.items():
        exif[tag] = value
    exif[0x8769] = detail
    return exif.tobytes()


FULL = block(
    {0x010F: "Lumen", 0x0110: "P7 ", 0x0112: 6},
    {
        0x920A: 5.4,
        0xA405: 26,
        0xA404: 0.0,
        0xA434: "P7 wide 5.4mm f/1.8",
        0x9003: "2031:04:05 06:07:08",
        0x9291: "25",
        0xA002: 4000,
        0xA003: 3000,
    },
)


def test_every_fact_is_read() -> None:
    assert read_exif(FULL) == ExifFacts(
        maker="Lumen",
        model="P7",
        lens="P7 wide 5.4mm f/1.8",
        focal_length_mm=5.4,
        focal_35mm=26.0,
        digital_zoom=1.0,
        orientation=6,
        taken_at=datetime(2031, 4, 5, 6, 7, 8, 250_000),
        stated_size=(4000, 3000),
    )


def test_a_film_focal_length_of_zero_means_unknown() -> None:
    # EXIF 2.32, tag 0xA405: 0 means that the value is unknown.
    assert read_exif(block({}, {0xA405: 0})).focal_35mm is None


def test_an_orientation_that_does_not_exist_counts_as_upright() -> None:
    assert read_exif(block({0x0112: 9}, {})).orientation == 1
    assert read_exif(block({0x0112: 0}, {})).orientation == 1


def test_control_characters_do_not_reach_the_names() -> None:
    facts = read_exif(block({0x010F: "Lu\x1b[31mmen\n", 0x0110: "  "}, {}))
    assert facts.maker == "Lu[31mmen"
    assert facts.model is None


def test_silence_is_not_an_error() -> None:
    assert read_exif(None) == ExifFacts()
    assert read_exif(b"") == ExifFacts()
    assert read_exif(b"Exif\x00\x00MM\x00*") == ExifFacts()


@settings(max_examples=300, deadline=None)
@given(st.data())
def test_damaged_bytes_never_raise(data: st.DataObject) -> None:
    raw = bytearray(FULL)
    for _ in range(data.draw(st.integers(1, 12))):
        raw[data.draw(st.integers(6, len(raw) - 1))] = data.draw(st.integers(0, 255))
    cut = data.draw(st.integers(0, len(raw)))
    assert 1 <= read_exif(bytes(raw[:cut])).orientation <= 8
