"""Pure functions: measurements in, findings out.  Every threshold and weight stands in `policy`."""
