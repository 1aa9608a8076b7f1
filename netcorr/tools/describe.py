"""The declarations as data: what another program needs to know to offer every tool."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from netcorr import __version__
from netcorr.tools.declare import OutputLayer, Tool
from netcorr.tools.parameter import Parameter

#: Counts up when a program that reads the description would misunderstand it.
FORMAT = 1


def describe_tools(tools: Mapping[str, Tool]) -> dict[str, Any]:
    """Describe tools for machines.

    Parameters
    ----------
    tools : mapping of str to Tool
        Tools by id.

    Returns
    -------
    dict
        ``format``, ``version`` and ``tools``: each with its texts, parameters (kind, options, unit, limits,
        default, choices) and the layers that it writes. Only what JSON can hold.
    """
    return {
        "format": FORMAT,
        "version": __version__,
        "tools": [_tool(tool) for tool in tools.values()],
    }


def _tool(tool: Tool) -> dict[str, Any]:
    return {
        "id": tool.id,
        "title": tool.title,
        "purpose": tool.purpose,
        "description": tool.description,
        "parameters": [_parameter(one) for one in tool.parameters],
        "outputs": [_layer(one) for one in tool.outputs()],
        "examples": [{"words": words, "arguments": line} for words, line in tool.examples],
    }


def _parameter(p: Parameter) -> dict[str, Any]:
    return {
        "name": p.name,
        "kind": p.kind,
        "title": p.title,
        "help": p.help,
        "options": list(p.options),
        "unit": p.unit,
        "minimum": p.minimum,
        "maximum": p.maximum,
        "default": list(p.default) if isinstance(p.default, tuple) else p.default,
        "required": p.required,
        "choices": list(p.choices),
        "suffixes": list(p.suffixes),
        "geometry": list(p.geometry),
    }


def _layer(layer: OutputLayer) -> dict[str, Any]:
    return {
        "parameter": layer.parameter,
        "name": layer.name,
        "geometry": layer.geometry,
        "title": layer.title,
        "columns": [
            {"name": name, "kind": kind, "meaning": meaning} for name, kind, meaning in layer.columns
        ],
    }


def markdown_table(tools: Mapping[str, Tool]) -> str:
    """Table of tools for README: command, title and purpose.

    Parameters
    ----------
    tools : mapping of str to Tool
        Tools by id.

    Returns
    -------
    str
        Lines of a Markdown table.
    """
    rows = [f"| `netcorr {tool.id}` | {tool.purpose} |" for tool in tools.values()]
    return "\n".join(["| command | |", "|---|---|", *rows])
