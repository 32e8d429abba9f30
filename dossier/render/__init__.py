"""From the data file to HTML: views word the numbers, figures draw them, templates put both in place."""
