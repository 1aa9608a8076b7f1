"""Every trap that a real map sets is said in words that its owner understands, by the command itself."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import pytest
from shapely import LineString, MultiLineString, Point

from netcorr.cli import main

if TYPE_CHECKING:
    from conftest import SmallSurvey

Spoil = Callable[["SmallSurvey"], None]
EAST, NORTH = 500_000.0, 5_400_000.0


def add_main(survey: SmallSurvey, *places: tuple[float, ...], **values: object) -> None:
    """One more main, through places given in metres east and north of the first fitting."""
    row = survey.mains.iloc[0].to_dict() | {"asset_id": f"N{len(survey.mains)}", **values}
    row["geometry"] = LineString([(EAST + x, NORTH + y, *rest) for x, y, *rest in places])
    survey.mains.loc[len(survey.mains)] = row


def tee(survey: SmallSurvey) -> None:
    add_main(survey, (0.1, 30), (60, 30))


def overshoot(survey: SmallSurvey) -> None:
    add_main(survey, (-0.3, 30), (60, 30))


def short_link(survey: SmallSurvey) -> None:
    add_main(survey, (0, 150 * 0.9996), (0, 150 * 0.9996 + 0.15))
    add_main(survey, (0, 150 * 0.9996 + 0.15), (0, 250))


def crossing(survey: SmallSurvey) -> None:
    add_main(survey, (-60, 30), (60, 30))


def valve_far(survey: SmallSurvey) -> None:
    survey.fittings.loc[1, "geometry"] = Point(EAST + 128, NORTH + 100)


def parts_far_apart(survey: SmallSurvey) -> None:
    [one, other] = survey.mains.geometry
    survey.mains = survey.mains.iloc[:1].copy()
    survey.mains.loc[0, "geometry"] = MultiLineString([one, other])


def heights_zero(survey: SmallSurvey) -> None:
    lines = [LineString([(x, y, 0.0) for x, y in line.coords]) for line in survey.mains.geometry]
    survey.mains = survey.mains.set_geometry(lines, crs=survey.mains.crs)


def twice(survey: SmallSurvey) -> None:
    survey.mains.loc[2] = survey.mains.iloc[0].to_dict() | {"asset_id": "N2"}


def no_length(survey: SmallSurvey) -> None:
    add_main(survey, (0, 10), (0, 10))


def shut_down(survey: SmallSurvey) -> None:
    survey.mains["status"] = "in service"
    add_main(survey, (0, 30), (60, 30), status="abandoned")


def another_language(survey: SmallSurvey) -> None:
    survey.mains = survey.mains.drop(columns="wave_speed")
    survey.mains["material"] = "AC"


def unknown_size(survey: SmallSurvey) -> None:
    survey.mains = survey.mains.drop(columns="wave_speed")
    survey.mains["diameter_mm"] = [150.0, 0.0]


def gap(survey: SmallSurvey) -> None:
    (start, end) = survey.mains.geometry[1].coords
    survey.mains.loc[1, "geometry"] = LineString([(start[0], start[1] + 5 * 0.9996), end])


def ends_on_itself(survey: SmallSurvey) -> None:
    add_main(survey, (0, 30), (60, 30), (60, 60), (20, 60), (20, 30))


def crosses_itself(survey: SmallSurvey) -> None:
    add_main(survey, (0, 30), (60, 30), (60, 60), (20, 60), (20, -10))


def valves_beside(survey: SmallSurvey) -> None:
    survey.fittings["geometry"] = [Point(EAST + 0.3, NORTH), Point(EAST + 2, NORTH + 119.9)]


def fictional(survey: SmallSurvey) -> None:
    survey.mains["status"] = "in service"
    add_main(survey, (0, 30), (60, 30), status="fictif")


def sizes(column: str, *values: object) -> Spoil:
    def spoil(survey: SmallSurvey) -> None:
        survey.mains = survey.mains.rename(columns={"diameter_mm": column})
        survey.mains[column] = list(values)

    return spoil


def one_text(survey: SmallSurvey) -> None:
    survey.mains = survey.mains.drop(columns="diameter_mm")
    survey.mains["material"] = ["DI DN150", "PVC 160"]


def drawn_in(crs: object) -> Spoil:
    def spoil(survey: SmallSurvey) -> None:
        survey.mains, survey.fittings = survey.mains.to_crs(crs), survey.fittings.to_crs(crs)

    return spoil


def fittings_in_an_old_datum(survey: SmallSurvey) -> None:
    survey.fittings = survey.fittings.to_crs("EPSG:31467")


def header(crs: object, *, of: object = None) -> Spoil:
    """Coordinates of one CRS under the header of another, or of none."""

    def spoil(survey: SmallSurvey) -> None:
        for name in ("mains", "fittings"):
            frame = getattr(survey, name) if of is None else getattr(survey, name).to_crs(of)
            setattr(survey, name, frame.set_crs(crs, allow_override=True))

    return spoil


#: The same place in US survey feet.
FEET = "+proj=utm +zone=32 +ellps=GRS80 +units=us-ft"
GROUND = "2 mains with 180 m in service"

TRAPS: dict[str, tuple[Spoil, list[str]]] = {
    "a main drawn straight through its tee": (tee, ["1 x main cut where the end of another touches it"]),
    "an end a little past the main": (overshoot, ["1 x end that ran past a main, cut back to it"]),
    "a short link": (short_link, ["short main whose ends were not joined"]),
    "a crossing that is no joint": (crossing, ["1 x crossing of two pieces without a joint"]),
    "a valve 128 m off": (valve_far, ["1 x fitting too far from any main", "on no main"]),
    "a line of several parts": (parts_far_apart, ["of several parts", "#2"]),
    "heights that are all 0": (heights_zero, ["all heights (Z) are 0"]),
    "a main drawn twice": (twice, ["1 x main (or part of one) drawn twice"]),
    "a main without length": (no_length, ["1 x main without length"]),
    "a main shut down": (shut_down, ["60 m out of service"]),
    "a code with two meanings": (another_language, ['say what material "AC" is', "asbestos cement or steel"]),
    "a size of 0": (unknown_size, ["fill in the diameter of main M2"]),
    "a main that ends on itself": (ends_on_itself, ["2 x main cut where the end of another", "340 m"]),
    "a main that crosses itself": (crosses_itself, ["3 mains with 380 m in service"]),
    "valves 0.3 and 2 m off": (
        valves_beside,
        ["2 x fitting taken as sitting on the main beside it, by up to 2.00 m"],
    ),
    "a fictional main": (fictional, ["180 m in service, and 60 m out of service"]),
    "inches unsaid": (
        sizes("diameter", 6.0, 8.0),
        ["read in inches: values from 6 to 8 are usual in inches"],
    ),
    "inches beside millimetres": (
        sizes("diameter", "150", '1.25"'),
        ["read in millimetres: the only value 150 is too large for inches"],
    ),
    "a field called m that holds millimetres": (
        sizes("diameter_m", 150.0, 200.0),
        ["diameters in 'diameter_m' are read in millimetres: values from 150 to 200 are too large"],
    ),
    "material and size in one text": (
        one_text,
        ["the diameter is read from column 'material' too, as its texts hold both"],
    ),
    "US survey feet": (drawn_in(FEET), [GROUND, "a CRS without a name (US survey foot)"]),
    "Web Mercator": (drawn_in("EPSG:3857"), [GROUND, "coordinates in WGS 84 / Pseudo-Mercator"]),
    "degrees": (drawn_in("EPSG:4326"), [GROUND]),
    "a datum shift without its grid": (
        fittings_in_an_old_datum,
        [
            "brought from DHDN / 3-degree Gauss-Kruger zone 3 to ETRS89 / UTM zone 32N, the CRS of the mains",
            "has an accuracy that is about",
            "is not installed",
        ],
    ),
    "ends that do not meet": (gap, ["join the 5.00 m gap", "it would connect 85 m"]),
}


@pytest.mark.parametrize("trap", TRAPS)
def test_the_trap_is_said(survey: SmallSurvey, capsys: pytest.CaptureFixture[str], trap: str) -> None:
    spoil, wanted = TRAPS[trap]
    spoil(survey)
    survey.write()
    assert main(["check", str(survey.network), "-o", str(survey.output), "--quiet"]) in (0, 4)
    said = " ".join(capsys.readouterr().out.split())
    for words in wanted:
        assert words in said, said


REFUSED: dict[str, tuple[Spoil, list[str]]] = {
    "no CRS": (header(None), ["layer mains: no CRS; give the CRS it was drawn in with --crs, for example"]),
    "a wrong CRS header": (
        header("EPSG:27700"),
        ["outside the area of OSGB36 / British National Grid (EPSG:27700)", "was really drawn with --crs"],
    ),
    "degrees under a metric header": (
        header("EPSG:25832", of="EPSG:4326"),
        ["look like degrees, but its CRS is ETRS89 / UTM zone 32N (EPSG:25832)", "--crs EPSG:4326"],
    ),
    "feet under a metric header": (
        header("EPSG:25832", of=FEET),
        ["outside the area of ETRS89 / UTM zone 32N (EPSG:25832)", "was really drawn with --crs"],
    ),
    "diameters of no size": (
        sizes("diameter_mm", 0.15, 0.2),
        ["layer mains", "which mains do not have"],
    ),
    "a unit that cannot be told": (
        sizes("diameter", 24.0, 36.0),
        ["layer mains, column diameter: unit not known: values from 24 to 36", 'units = { diameter = "mm" }'],
    ),
}


@pytest.mark.filterwarnings("ignore:'crs' was not provided:UserWarning")  # the test's own writing
@pytest.mark.parametrize("trap", REFUSED)
def test_what_cannot_be_read_is_one_message(
    survey: SmallSurvey, capsys: pytest.CaptureFixture[str], trap: str
) -> None:
    spoil, wanted = REFUSED[trap]
    spoil(survey)
    survey.write()
    for command in ("check", "locate"):
        table = [str(survey.table)] if command == "locate" else []
        assert main([command, str(survey.network), *table, "-o", str(survey.output), "--quiet"]) == 3
        out, err = capsys.readouterr()
        assert (out, err.count("\n")) == ("", 1)
        for words in ("netcorr: town.gpkg", *wanted):
            assert words in err, err
    assert not survey.output.exists()
