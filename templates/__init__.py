"""Jinja2 templates, the style sheet and the pages' scripts, shipped as package data."""
