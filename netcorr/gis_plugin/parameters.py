"""A declared parameter as the GIS shows it, and what the user gave as a word on the command line."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from qgis.core import (
    QgsProcessing,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterDefinition,
    QgsProcessingParameterEnum,
    QgsProcessingParameterFile,
    QgsProcessingParameterFileDestination,
    QgsProcessingParameterFolderDestination,
    QgsProcessingParameterMultipleLayers,
    QgsProcessingParameterNumber,
    QgsProcessingParameterRange,
    QgsProcessingParameterString,
    QgsProcessingParameterVectorLayer,
)

#: Layers of the project that may stand for a network: name, title, type, and whether it is needed.
NETWORK_LAYERS = (
    ("mains", "mains", QgsProcessing.TypeVectorLine),
    ("fittings", "valves, hydrants and meters", QgsProcessing.TypeVectorPoint),
)


def definitions(parameter: Mapping[str, Any]) -> Iterator[QgsProcessingParameterDefinition]:
    """Make what the GIS shows for one declared parameter.

    Parameters
    ----------
    parameter : mapping
        As `netcorr tools --json` gives it.

    Yields
    ------
    QgsProcessingParameterDefinition
        One; a network can be given as a file or as two layers of the project.
    """
    name, kind = parameter["name"], parameter["kind"]
    optional = not parameter["required"]
    if takes_layers(parameter):
        for layer, title, geometry in NETWORK_LAYERS:
            one = QgsProcessingParameterVectorLayer(
                f"{name}_{layer}", f"{parameter['title']}: layer of {title}", [geometry], None, True
            )
            one.setHelp("In place of a file. Its columns must bear names that netcorr knows.")
            yield one
        optional = True
    definition = _MAKERS[kind](parameter, _title(parameter), optional)
    definition.setHelp(parameter["help"])
    if optional and kind not in ("source", "file_in", "files_in", "file_out"):
        definition.setFlags(definition.flags() | QgsProcessingParameterDefinition.FlagAdvanced)
    yield definition


def takes_layers(parameter: Mapping[str, Any]) -> bool:
    """Whether layers of the project may stand for a source."""
    return parameter["kind"] == "source" and {"LineString", "Point"} <= set(parameter["geometry"])


def words(parameter: Mapping[str, Any], value: Any) -> list[str]:
    """Give the words of one parameter for the command line.

    Parameters
    ----------
    parameter : mapping
        As declared.
    value : object
        As the GIS gives it; None when nothing was given.

    Returns
    -------
    list of str
        Empty when there is nothing to say.
    """
    if value is None or value == "":
        return []
    option = parameter["options"][-1:]
    if parameter["kind"] == "files_in":
        return [str(one) for one in value]
    if parameter["kind"] == "flag":
        return list(option) if value else []
    if parameter["kind"] == "range":
        low, high = (float(part) for part in str(value).split(","))
        value = f"{low:.10g}-{high:.10g}"
    if parameter["kind"] in ("number", "integer"):
        value = f"{float(value):.10g}"
    # an option and its value as one word: a value that starts with a dash is no option
    return [f"{option[0]}={value}"] if option else [str(value)]


def range_fault(parameter: Mapping[str, Any], value: Any) -> str:
    """Say what is wrong with a range, which the GIS itself does not check; empty when nothing is."""
    if parameter["kind"] != "range" or value in (None, ""):
        return ""
    try:
        low, high = (float(part) for part in str(value).split(","))
    except ValueError:
        return f"{parameter['title']}: {value}; give two numbers"
    least, most = parameter["minimum"], parameter["maximum"]
    within = (least is None or low >= least) and (most is None or high <= most)
    if within and low < high:
        return ""
    allowed = f"two numbers from {least:g} to {most:g}, the lower first"
    return f"{parameter['title']}: {low:g} to {high:g}; give {allowed}"


def _title(parameter: Mapping[str, Any]) -> str:
    return f"{parameter['title']} [{parameter['unit']}]" if parameter["unit"] else str(parameter["title"])


def _filter(parameter: Mapping[str, Any]) -> str:
    """Filter of a file dialog."""
    named = [f"{suffix[1:].upper()} (*{suffix})" for suffix in parameter["suffixes"]]
    return ";;".join(named or ["All files (*.*)"])


def _file(p: Mapping[str, Any], title: str, optional: bool) -> QgsProcessingParameterDefinition:
    return QgsProcessingParameterFile(
        p["name"], title, QgsProcessingParameterFile.File, "", None, optional, _filter(p)
    )


def _folder(p: Mapping[str, Any], title: str, optional: bool) -> QgsProcessingParameterDefinition:
    return QgsProcessingParameterFile(p["name"], title, QgsProcessingParameterFile.Folder, "", None, optional)


def _files(p: Mapping[str, Any], title: str, optional: bool) -> QgsProcessingParameterDefinition:
    return QgsProcessingParameterMultipleLayers(p["name"], title, QgsProcessing.TypeFile, None, optional)


def _file_out(p: Mapping[str, Any], title: str, optional: bool) -> QgsProcessingParameterDefinition:
    return QgsProcessingParameterFileDestination(p["name"], title, _filter(p), None, optional, not optional)


def _folder_out(p: Mapping[str, Any], title: str, optional: bool) -> QgsProcessingParameterDefinition:
    return QgsProcessingParameterFolderDestination(p["name"], title, None, optional, not optional)


def _number(p: Mapping[str, Any], title: str, optional: bool) -> QgsProcessingParameterDefinition:
    whole = p["kind"] == "integer"
    kind = QgsProcessingParameterNumber.Integer if whole else QgsProcessingParameterNumber.Double
    definition = QgsProcessingParameterNumber(p["name"], title, kind, p["default"], optional)
    if p["minimum"] is not None:
        definition.setMinimum(p["minimum"])
    if p["maximum"] is not None:
        definition.setMaximum(p["maximum"])
    return definition


def _range(p: Mapping[str, Any], title: str, optional: bool) -> QgsProcessingParameterDefinition:
    default = None if p["default"] is None else ",".join(f"{value:g}" for value in p["default"])
    return QgsProcessingParameterRange(
        p["name"], title, QgsProcessingParameterNumber.Double, default, optional
    )


def _choice(p: Mapping[str, Any], title: str, optional: bool) -> QgsProcessingParameterDefinition:
    return QgsProcessingParameterEnum(p["name"], title, p["choices"], False, p["default"], optional, True)


def _text(p: Mapping[str, Any], title: str, optional: bool) -> QgsProcessingParameterDefinition:
    return QgsProcessingParameterString(p["name"], title, p["default"], False, optional)


def _flag(p: Mapping[str, Any], title: str, optional: bool) -> QgsProcessingParameterDefinition:
    return QgsProcessingParameterBoolean(p["name"], title, bool(p["default"]), optional)


_MAKERS = {
    "source": _file,
    "file_in": _file,
    "files_in": _files,
    "folder_in": _folder,
    "folder_out": _folder_out,
    "file_out": _file_out,
    "number": _number,
    "integer": _number,
    "range": _range,
    "choice": _choice,
    "text": _text,
    "flag": _flag,
}
#: Kinds of parameters that can be shown.
KINDS = frozenset(_MAKERS)
