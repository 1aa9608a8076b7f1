"""GIS files to checked layers: reading, column mapping, CRS."""
