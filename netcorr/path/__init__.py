"""Two fittings to the correlation path between them, and positions along it to the map and back."""
