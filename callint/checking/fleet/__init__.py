"""Many images beside each other: which of them hold the same content of each table.

``table_digests`` gives the digest of every table of an image, ``records`` shares the images out among
workers, ``record_cache`` keeps what they found, ``survey`` reads a fleet, and ``groups`` groups its images by
the digests. ``contents`` reads the values of groups and answers questions about them, ``changed_cells`` says
which images have the cells of one change, and ``report`` is the result of all of that.
"""
