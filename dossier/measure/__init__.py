"""Pure functions: samples in, numbers out.  No I/O, no logging, no edits in place."""
