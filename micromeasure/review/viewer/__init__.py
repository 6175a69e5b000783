"""The viewer: the only part of the package that needs napari and Qt; nothing is imported here."""
