"""Files read and written: meshes, the case file, the results."""
