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
