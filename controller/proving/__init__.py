"""The proof test: one enclosure's real commissioning, step by step, with its real relay node and a person beside it."""
