"""Tuning asked for by a person: night pulses carried out by the loop, and a model that is adopted only with a yes."""
