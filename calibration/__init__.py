"""Numbers and arrays only: from places in a picture to true millimetres.

This package opens no file, prints nothing, and knows nothing of bodies or molds.
"""
