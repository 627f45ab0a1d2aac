"""Carries a rework to another software version: by table name, in physical values.

The rework of a table is a surface over the breakpoints of the reworked image: differences, ratios or new
values (``CarriedQuantity``). callint reads it at the breakpoints of the new table as a control unit reads a
map, linear between breakpoints and held at the ends, and applies it to the values of the new base. A cell
keeps its bytes if no changed cell has influence on it.

Whatever cannot be carried as it was meant is a problem, and with a problem there is no image. Problems, notes
and omissions are codes with numbers; ``callint/reporting/carry/reasons.py`` writes their sentences.
"""
