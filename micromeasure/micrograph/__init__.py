"""Reading a micrograph safely into an array with its metadata; light and camera response."""
