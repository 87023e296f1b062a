"""What the cleared reflectance says: indices, polygon series, season composites, trend, breaks."""
