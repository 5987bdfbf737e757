"""Thinking ahead, in a process of its own: what the enclosure is like, how it stands, what the coming hours need."""
