"""The command that holds a bar against where it should be: stubs, a contour, or a scan.

Parse, call, print; no computation happens here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fitscan.cli.app import CAUTION, Json, Quiet, Replace, app
from fitscan.cli.screen import (
    check_free,
    check_photos_folder,
    drawing,
    give,
    photos_of,
    say_files,
    say_notes,
    screen_for,
)
from fitscan.errors import InputError

if TYPE_CHECKING:
    from fitscan.fit.gap_standoff import Standoff
    from fitscan.survey.survey import Survey


@app.command(epilog=CAUTION)
def gap(
    bar: Annotated[str, typer.Option(help="SURVEY:TUBE of the bar, for example 'shut.json:bar'.")],
    target: Annotated[
        str | None, typer.Option(help="SURVEY:TUBE of the stubs in the recess.")
    ] = None,
    contour: Annotated[
        list[str] | None,
        typer.Option(
            help="SURVEY:LIP, the pointers whose names begin so, like 'open.json:upper lip'; give "
            "it twice for the centre line between two lips."
        ),
    ] = None,
    mesh: Annotated[
        Path | None, typer.Option(help="Scan of the part, a mesh or a cloud (PLY, STL, OBJ).")
    ] = None,
    mesh_points: Annotated[
        Path | None,
        typer.Option(help="With --mesh: tags and pointers picked in the scan (TOML or CSV)."),
    ] = None,
    mesh_in: Annotated[
        Path | None,
        typer.Option(help="With --mesh: survey that shows them; the bar's if not given."),
    ] = None,
    mesh_unit: Annotated[
        str | None, typer.Option(help="With --mesh: mm, cm, m or in; scans do not say it.")
    ] = None,
    on: Annotated[
        list[str] | None,
        typer.Option(
            help="Part that both surveys show, for example trim; with --via one for each step, "
            "from the target to the bar, or one for all."
        ),
    ] = None,
    via: Annotated[
        list[Path] | None,
        typer.Option(help="Survey between target and bar that shares parts with its neighbours."),
    ] = None,
    out: Annotated[Path | None, typer.Option(help="Result file to write.")] = None,
    tolerance_mm: Annotated[
        float, typer.Option(min=0.0, max=1e4, help="Largest error of the bar that you accept.")
    ] = 2.0,
    standoff_mm: Annotated[
        float | None,
        typer.Option(
            min=-1e3,
            max=1e3,
            help="Wanted: out of the seat or centre line (0 if not given), or clear of a lip or "
            "scan (if not given, only fouling is judged).",
        ),
    ] = None,
    station_mm: Annotated[
        float, typer.Option(min=5.0, max=1e4, help="Distance between stations.")
    ] = 50.0,
    clr_mm: Annotated[
        float | None,
        typer.Option(
            min=1.0, max=1e4, help="Centre-line radius of the bar's bends; else the kit's [[tube]]."
        ),
    ] = None,
    photos: Annotated[
        Path | None, typer.Option(help="Photos of the bar's survey, to draw the result on.")
    ] = None,
    json: Json = False,
    quiet: Quiet = False,
    replace: Replace = False,
) -> None:
    """Say how far a bar is from where it should sit, station by station."""
    against = _Against(target, contour or [], mesh, mesh_points, mesh_in, mesh_unit)
    against.check(on or [])
    check_free(out, "fitscan.gap" if target else "fitscan.standoff", replace=replace)
    check_photos_folder(photos)
    wish = _Wish(tolerance_mm, standoff_mm, station_mm, clr_mm)
    bar_file, bar_tube = _pair(bar, "--bar", "TUBE")
    files = _Files()
    to = _Printer(out, photos, json, quiet, replace)
    if target is not None:
        target_file, seat = _pair(target, "--target", "TUBE")
        bar_survey, target_survey = files.read(bar_file), files.read(target_file)
        between = [files.read(f) for f in via or ()]
        _against_stubs(bar_survey, bar_tube, target_survey, seat, on or [], between, wish, to,
                       bar_file)  # fmt: skip
        return
    result = against.run(files, bar_file, bar_tube, on or [], via or [], wish)
    _give_standoff(result, wish, to, bar_file)


class _Files:
    """Surveys, each file read once, so that one survey is one and not two."""

    def __init__(self) -> None:
        self._read: dict[Path, Survey] = {}

    def read(self, file: Path) -> Survey:
        from fitscan.survey.survey_file import read_survey

        key = file.resolve()
        if key not in self._read:
            self._read[key] = read_survey(file)
        return self._read[key]


@dataclass(frozen=True)
class _Wish:
    tolerance_mm: float
    standoff_mm: float | None
    station_mm: float
    clr_mm: float | None


@dataclass(frozen=True)
class _Printer:
    out: Path | None
    photos: Path | None
    json: bool
    quiet: bool
    replace: bool


def _pair(text: str, option: str, what: str) -> tuple[Path, str]:
    """Split SURVEY:NAME at the last colon."""
    path, colon, name = text.rpartition(":")
    if not colon or not path or not name:
        example = "open.json:upper lip" if what == "LIP" else "shut.json:door bar"
        raise InputError(f"{text!r} is not SURVEY:{what}", option, f"write it like '{example}'")
    return Path(path), name


@dataclass(frozen=True)
class _Against:
    """What the bar is held against, as the options say it."""

    target: str | None
    contour: list[str]
    mesh: Path | None
    mesh_points: Path | None
    mesh_in: Path | None
    mesh_unit: str | None

    def check(self, on: Sequence[str]) -> None:
        """Refuse options that do not go together."""
        given = [
            name
            for name, value in (
                ("--target", self.target), ("--contour", self.contour), ("--mesh", self.mesh)
            )
            if value
        ]  # fmt: skip
        if len(given) != 1:
            told = f"{' and '.join(given)} are given at once" if given else "No target is given"
            raise InputError(
                told, "", "give one of --target (stubs), --contour (pointers) and --mesh (a scan)"
            )
        if self.target and not on:
            raise InputError(
                "Missing option '--on'", "", "`fitscan gap --help` shows how it is written"
            )
        if self.mesh and not self.mesh_points:
            raise InputError(
                "Missing option '--mesh-points'",
                "",
                "name a file with three or more tags or pointers picked in the scan, so that it "
                "can be placed",
            )
        lost = [
            name
            for name, value in (
                ("--mesh-points", self.mesh_points), ("--mesh-in", self.mesh_in),
                ("--mesh-unit", self.mesh_unit),
            )
            if value and not self.mesh
        ]  # fmt: skip
        if lost:
            raise InputError(f"{lost[0]} says nothing without --mesh", "", "name the scan, too")

    def run(
        self,
        files: _Files,
        bar_file: Path,
        tube: str,
        on: Sequence[str],
        via: Sequence[Path],
        wish: _Wish,
    ) -> Standoff:
        """Compare with a contour or a scan."""
        if self.mesh is not None:
            return self._scan(files, bar_file, tube, on, via, wish)
        pairs = [_pair(text, "--contour", "LIP") for text in self.contour]
        where = {p.resolve() for p, _ in pairs}
        if len(where) > 1:
            raise InputError(
                "The two lips are of two surveys", "--contour", "name both in one survey"
            )
        from fitscan.fit.gap_contour import find_contour_gap

        bar, target = files.read(bar_file), files.read(pairs[0][0])
        between = [files.read(f) for f in via]
        _check_on(on, bar is target and not between)
        return find_contour_gap(
            bar, tube, target, [lip for _, lip in pairs], on, via=between,
            tolerance_mm=wish.tolerance_mm, standoff_mm=wish.standoff_mm,
            station_mm=wish.station_mm, clr_mm=wish.clr_mm,
        )  # fmt: skip

    def _scan(
        self,
        files: _Files,
        bar_file: Path,
        tube: str,
        on: Sequence[str],
        via: Sequence[Path],
        wish: _Wish,
    ) -> Standoff:
        from fitscan.fit.gap_scan import find_scan_gap
        from fitscan.shape.scan import read_scan
        from fitscan.shape.scan_points import read_scan_points

        assert self.mesh is not None  # `check` asked for both.
        assert self.mesh_points is not None
        bar, target = files.read(bar_file), files.read(self.mesh_in or bar_file)
        between = [files.read(f) for f in via]
        _check_on(on, bar is target and not between)
        points = read_scan_points(self.mesh_points, self.mesh_unit)
        scan = read_scan(self.mesh, points.unit)
        return find_scan_gap(
            bar, tube, scan, points, target, on, via=between, tolerance_mm=wish.tolerance_mm,
            standoff_mm=wish.standoff_mm, station_mm=wish.station_mm, clr_mm=wish.clr_mm,
        )  # fmt: skip


def _check_on(on: Sequence[str], alone: bool) -> None:
    if not on and not alone:
        raise InputError(
            "Missing option '--on'", "", "name the part that both surveys show, for example trim"
        )


def _against_stubs(
    bar: Survey,
    tube: str,
    target: Survey,
    seat: str,
    on: Sequence[str],
    via: Sequence[Survey],
    wish: _Wish,
    to: _Printer,
    bar_file: Path,
) -> None:
    from fitscan.fit.gap import find_gap
    from fitscan.fit.result_file import gap_document

    result = find_gap(
        bar, tube, target, seat, on, via=via, tolerance_mm=wish.tolerance_mm,
        standoff_mm=wish.standoff_mm or 0.0, station_mm=wish.station_mm,
    )  # fmt: skip
    give(gap_document(result), to.out, json=to.json, replace=to.replace)
    drawn: list[Path] = []
    notes: list[str] = []
    if to.out is not None:
        from fitscan.report.write import write_gap_pictures

        folder = to.photos if to.photos is not None else photos_of(bar, bar_file)
        stem = to.out.with_suffix("")
        with drawing(quiet=to.quiet):
            drawn = write_gap_pictures(
                result, bar, target, folder, stem, replace=to.replace, say=notes.append
            )
    if not to.quiet:
        from fitscan.report.tables import gap_table

        screen = screen_for(hushed=to.json)
        screen.print(gap_table(result))
        say_notes(screen, notes)
        say_files(screen, to.out, *drawn)


def _give_standoff(result: Standoff, wish: _Wish, to: _Printer, bar_file: Path) -> None:
    from fitscan.fit.gap_standoff_file import standoff_document

    give(standoff_document(result), to.out, json=to.json, replace=to.replace)
    drawn: list[Path] = []
    notes: list[str] = []
    if to.out is not None:
        from fitscan.report.write_standoff import write_standoff_pictures

        bar = result.chain.bar
        folder = to.photos if to.photos is not None else photos_of(bar, bar_file)
        drawn = write_standoff_pictures(
            result, wish.clr_mm, folder, to.out.with_suffix(""), replace=to.replace,
            say=notes.append,
        )  # fmt: skip
    if not to.quiet:
        from fitscan.report.tables_standoff import standoff_table

        screen = screen_for(hushed=to.json)
        screen.print(standoff_table(result))
        say_notes(screen, notes)
        say_files(screen, to.out, *drawn)
