"""SCPI without I/O: `message` builds what goes out, `reply` and `status` read what comes in."""
