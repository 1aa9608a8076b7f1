"""A map, or a network saved from it: the tools work on either, and say which."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import geopandas as gpd
import pytest

from netcorr.cli import main
from netcorr.errors import NetworkError, UsageError
from netcorr.export import save_network
from netcorr.feedback import NoFeedback
from netcorr.network import Tolerances
from netcorr.tools.open_map import open_map

if TYPE_CHECKING:
    from conftest import SmallSurvey


class Heard(NoFeedback):
    """Remembers what was said, and how far the work was."""

    def __init__(self) -> None:
        self.texts: list[str] = []
        self.parts: list[float] = []

    def progress(self, fraction: float, message: str = "") -> None:
        self.parts.append(fraction)

    def message(self, text: str) -> None:
        self.texts.append(text)


def saved(survey: SmallSurvey, **tolerances: float) -> Path:
    survey.write()
    path = survey.folder / "cleaned.gpkg"
    save_network(open_map(survey.network, tolerances=Tolerances(**tolerances)), path)
    return path


def test_saved_network_is_the_map_it_was_saved_from(survey: SmallSurvey) -> None:
    path, heard = saved(survey), Heard()
    network = open_map(survey.network, feedback=heard)
    assert heard.texts == list(network.notes)
    assert heard.parts == sorted(heard.parts)
    assert heard.parts[-1] == 1
    again = open_map(path)
    assert again.notes == network.notes
    assert list(again.graph.edges(keys=True)) == list(network.graph.edges(keys=True))
    assert again.node_of("V2") == network.node_of("V2")


def test_saved_network_says_so_and_how_it_was_cleaned(survey: SmallSurvey) -> None:
    heard = Heard()
    network = open_map(saved(survey, join_m=0.3), feedback=heard)
    assert heard.texts[0].startswith("cleaned.gpkg is a saved network, opened without cleaning it again")
    assert "town.gpkg" in heard.texts[0]
    assert heard.texts[0].endswith("joint 0.3 m, tee 0.2 m, fitting 5 m, overshoot 0.5 m")
    assert network.tolerances == Tolerances(join_m=0.3)


def test_options_that_come_too_late_are_refused(survey: SmallSurvey) -> None:
    path = saved(survey, join_m=0.3)
    with pytest.raises(
        UsageError, match=r"--crs EPSG:3857 was given, but .* leave --crs out, or give the map"
    ):
        open_map(path, crs="EPSG:3857")
    with pytest.raises(UsageError, match="--mapping"):
        open_map(path, mapping=Path("ours.toml"))
    with pytest.raises(
        UsageError, match=r"its joint tolerance is 0\.3 m, and 0\.4 m was asked for; .*town\.gpkg"
    ):
        open_map(path, tolerances=Tolerances(join_m=0.4))
    open_map(path, tolerances=Tolerances(join_m=0.3))
    open_map(path, tolerances=Tolerances())  # nobody asked for anything


def test_tolerances_reach_the_map(survey: SmallSurvey) -> None:
    survey.fittings.geometry = survey.fittings.translate(xoff=2.0)
    survey.write()
    assert open_map(survey.network).node_of("V1") >= 0
    far = open_map(survey.network, tolerances=Tolerances(fitting_m=1.0))
    with pytest.raises(NetworkError, match=r"the nearest main is 2\.0 m away"):
        far.node_of("V1")


def test_locate_gives_the_same_answer_on_a_saved_network(
    survey: SmallSurvey, capsys: pytest.CaptureFixture[str]
) -> None:
    path = saved(survey)
    assert main(survey.words) == 0
    first = gpd.read_file(survey.output, layer="leak_candidates")
    capsys.readouterr()
    words = survey.words
    words[1] = str(path)
    assert main(words) == 0
    assert "cleaned.gpkg is a saved network, opened without cleaning it again" in capsys.readouterr().err
    second = gpd.read_file(survey.output, layer="leak_candidates")
    columns = ["rank", "probability", "from_a_m", "low_m", "high_m", "pipe_id", "material", "geometry"]
    assert first[columns].equals(second[columns])


def test_locate_cuts_an_overshoot_back_as_far_as_told(
    survey: SmallSurvey, capsys: pytest.CaptureFixture[str]
) -> None:
    path = saved(survey)
    words = [*survey.words, "--overshoot-tolerance", "0.8"]
    words[1] = str(path)
    assert main(words) == 2
    assert "its overshoot tolerance is 0.5 m, and 0.8 m was asked for" in capsys.readouterr().err
