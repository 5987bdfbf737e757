"""Many sites reviewed from the store elsewhere alone: no site's own files are read, no broker is spoken to."""
