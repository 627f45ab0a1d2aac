"""Compares many images: which of them have the same content of each table.

``table_digests`` gives the digest of every table of an image, ``records`` shares the images out among
workers, ``record_cache`` keeps their results, ``fleet_reader`` reads a fleet, and ``groups`` groups its
images by the digests. ``contents`` reads the values of groups and answers questions about them,
``changed_cells`` tells which images have the cells of one change, and ``report`` is the result.
"""
