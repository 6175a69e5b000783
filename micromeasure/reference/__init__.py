"""Images of exactly known truth, and the verification that measures them."""
