"""One tool of netcorr as the GIS knows it: dialog from the declaration, work in a child process."""

from __future__ import annotations

import html
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from qgis.core import (
    QgsProcessingAlgorithm,
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingFeedback,
    QgsProcessingOutputString,
    QgsProcessingUtils,
)

from .child import CancelledError, ChildError, Interpreter, run_tool
from .layers import load_outputs, save_network
from .parameters import definitions, range_fault, takes_layers, words

#: Output of every tool: what it says to a person.
TEXT = "text"


class ToolAlgorithm(QgsProcessingAlgorithm):
    """A declared tool.

    Parameters
    ----------
    tool : mapping
        As `netcorr tools --json` gives it.
    interpreter : Interpreter
        The Python that has netcorr.
    """

    def __init__(self, tool: Mapping[str, Any], interpreter: Interpreter) -> None:
        super().__init__()
        self._tool, self._interpreter = tool, interpreter
        self._networks: dict[str, str] = {}

    def createInstance(self) -> ToolAlgorithm:
        """Make one for one run."""
        return ToolAlgorithm(self._tool, self._interpreter)

    def name(self) -> str:
        """Name in models and scripts: that of the command."""
        return str(self._tool["id"]).replace("-", "_")

    def displayName(self) -> str:
        """Name in the toolbox."""
        return str(self._tool["title"])

    def shortDescription(self) -> str:
        """One line."""
        return str(self._tool["purpose"])

    def shortHelpString(self) -> str:
        """Help beside the dialog."""
        paragraphs = [self._tool["purpose"], self._tool["description"]]
        rows = [f"<b>{html.escape(p['title'])}</b>: {html.escape(p['help'])}" for p in self._parameters()]
        return "".join(f"<p>{text}</p>" for text in (*map(html.escape, filter(None, paragraphs)), *rows))

    def initAlgorithm(self, config: Any = None) -> None:
        """Declare the parameters and outputs."""
        for parameter in self._parameters():
            for definition in definitions(parameter):
                self.addParameter(definition)
        self.addOutput(QgsProcessingOutputString(TEXT, "Result in words"))

    def checkParameterValues(
        self, parameters: Mapping[str, Any], context: QgsProcessingContext
    ) -> tuple[bool, str]:
        """Refuse what the declaration does not allow, before anything is started."""
        for parameter in self._parameters():
            name = parameter["name"]
            if fault := range_fault(parameter, parameters.get(name)):
                return False, fault
            if takes_layers(parameter) and not self._has_source(parameter, parameters):
                return False, f"{parameter['title']}: give a file, or a layer of mains and one of fittings"
        fine, why = super().checkParameterValues(parameters, context)
        return bool(fine), str(why)

    def prepareAlgorithm(
        self,
        parameters: Mapping[str, Any],
        context: QgsProcessingContext,
        feedback: QgsProcessingFeedback,
    ) -> bool:
        """Put layers of the project that stand for a network into a file, while they may be touched."""
        for parameter in self._parameters():
            name = parameter["name"]
            if takes_layers(parameter) and parameters.get(f"{name}_mains"):
                file = Path(QgsProcessingUtils.generateTempFilename("network.gpkg"))
                layers = {
                    role: self.parameterAsVectorLayer(parameters, f"{name}_{role}", context)
                    for role in ("mains", "fittings")
                }
                save_network(layers, file, context.transformContext())
                names = " and ".join(one.name() for one in layers.values())
                feedback.pushInfo(f"{parameter['title']}: {names}")
                self._networks[name] = str(file)
        return True

    def processAlgorithm(
        self,
        parameters: Mapping[str, Any],
        context: QgsProcessingContext,
        feedback: QgsProcessingFeedback,
    ) -> dict[str, Any]:
        """Run netcorr and load what it wrote."""
        values = {p["name"]: self._value(p, parameters, context) for p in self._parameters()}
        given = [word for p in self._parameters() for word in words(p, values[p["name"]])]
        files = {p["name"]: values[p["name"]] for p in self._parameters() if p["kind"] == "file_out"}
        files = {name: path for name, path in files.items() if path}

        def tell(event: Mapping[str, Any]) -> None:
            if event["event"] == "progress":
                feedback.setProgress(100 * event["fraction"])
                feedback.setProgressText(event["message"])
            elif event["event"] == "message":
                feedback.pushInfo(event["text"])

        try:
            result = run_tool(
                self._interpreter,
                [self._tool["id"], *given],
                on_event=tell,
                is_cancelled=feedback.isCanceled,
                outputs=list(files.values()),
            )
        except CancelledError:
            feedback.pushInfo("cancelled; nothing was left half written")
            return {}
        except ChildError as error:
            raise QgsProcessingException(str(error)) from error
        feedback.pushInfo(result["text"])
        if result["verdict"]:
            feedback.pushWarning(result["verdict"])
        # a tool may write into a file that was given to it
        written = {one["parameter"]: values[one["parameter"]] for one in self._tool["outputs"]}
        load_outputs(self._tool["outputs"], written, context)
        return {**files, TEXT: result["text"]}

    def _parameters(self) -> Iterator[Mapping[str, Any]]:
        yield from self._tool["parameters"]

    @staticmethod
    def _has_source(parameter: Mapping[str, Any], parameters: Mapping[str, Any]) -> bool:
        name = parameter["name"]
        layers = parameters.get(f"{name}_mains") and parameters.get(f"{name}_fittings")
        return bool(layers or parameters.get(name))

    def _value(
        self, parameter: Mapping[str, Any], parameters: Mapping[str, Any], context: QgsProcessingContext
    ) -> Any:
        """Give what the user gave, None when it was nothing."""
        name, kind = parameter["name"], parameter["kind"]
        if name in self._networks:
            return self._networks[name]
        if parameters.get(name) is None:
            return None
        readers = {
            "text": self.parameterAsString,
            "range": self.parameterAsString,
            "file_out": self.parameterAsFileOutput,
            "flag": self.parameterAsBoolean,
            "choice": self.parameterAsEnumString,
            "source": self.parameterAsFile,
            "file_in": self.parameterAsFile,
            "files_in": self.parameterAsFileList,
            "folder_in": self.parameterAsFile,
            "folder_out": self.parameterAsString,
            "number": self.parameterAsDouble,
            "integer": self.parameterAsDouble,
        }
        return readers[kind](parameters, name, context)
