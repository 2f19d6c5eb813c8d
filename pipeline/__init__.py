"""fallgrade: from GPS tree points and a terrain raster to printed install sheets for sap tubing."""

__version__ = "0.1.0"
