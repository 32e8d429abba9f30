"""Pure functions that lay drums on a beat's grid: patterns, one-shots and loops in, drum parts out."""
