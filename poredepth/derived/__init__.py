"""Maps that follow from composed heights and the true measure of the skin: normals, curvature, spread of slopes."""
