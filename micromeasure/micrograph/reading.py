"""Reading image files safely: header first, then pixels (being written)."""
