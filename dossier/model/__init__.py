"""The types that cross stages: frozen, slotted, with the unit in the field's name.

`beat` is what the user said, `measures` is what was measured, `findings` is what was decided, `datafile` is the
document that is saved beside the page and that the page is drawn from.
"""
