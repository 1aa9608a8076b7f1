"""Pipe to wave speed and attenuation: pure numbers, each with its source."""
