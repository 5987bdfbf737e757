"""The season: what the record and the weather say of tonight, this spring, this year against last."""
