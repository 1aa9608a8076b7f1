"""Layers of the project into a file for netcorr, and its results into the project."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from qgis.core import (
    QgsCoordinateTransformContext,
    QgsProcessingContext,
    QgsProcessingException,
    QgsVectorFileWriter,
    QgsVectorLayer,
)


def save_network(
    layers: Mapping[str, QgsVectorLayer], file: Path, transform: QgsCoordinateTransformContext
) -> None:
    """Write layers of the project as the layers of one GeoPackage.

    Parameters
    ----------
    layers : mapping of str to QgsVectorLayer
        By the name that each gets.
    file : pathlib.Path
        To write.
    transform : QgsCoordinateTransformContext
        Of the project.

    Raises
    ------
    QgsProcessingException
        If a layer is missing or cannot be written.
    """
    for name, layer in layers.items():
        if layer is None or not layer.isValid():
            raise QgsProcessingException(
                f"the layer of {name} cannot be read: choose another, or give a file"
            )
        options = QgsVectorFileWriter.SaveVectorOptions()
        options.driverName, options.layerName = "GPKG", name
        if file.exists():
            options.actionOnExistingFile = QgsVectorFileWriter.CreateOrOverwriteLayer
        written = QgsVectorFileWriter.writeAsVectorFormatV3(layer, str(file), transform, options)
        if written[0] != QgsVectorFileWriter.NoError:
            raise QgsProcessingException(f"the layer of {name} could not be written: {written[1]}")


def load_outputs(
    outputs: Sequence[Mapping[str, Any]], files: Mapping[str, str], context: QgsProcessingContext
) -> None:
    """Have the layers that a tool wrote loaded, each with the style that lies in its file.

    Parameters
    ----------
    outputs : sequence of mapping
        Layers as declared.
    files : mapping of str to str
        Files that were written, by parameter.
    context : QgsProcessingContext
        Of the run; it loads them when the run is over.
    """
    project = context.project()
    if project is None:
        return
    for output in reversed(outputs):  # what is loaded last lies on top
        file = files.get(output["parameter"])
        if not file or Path(file).suffix.lower() != ".gpkg":
            continue
        uri = f"{file}|layername={output['name']}"
        details = QgsProcessingContext.LayerDetails(output["title"], project, output["name"])
        context.addLayerToLoadOnCompletion(uri, details)
