"""Where readings come from: one module for each kind of source, and the decoding they share."""
