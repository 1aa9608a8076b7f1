"""Layers to a noded, cleaned network graph with its fittings and a log of every change."""
