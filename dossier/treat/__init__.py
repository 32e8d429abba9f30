"""Pure functions: samples in, samples out, one module a treatment family."""
