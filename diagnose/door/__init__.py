"""What a script or a notebook calls: the functions that the package exports."""
