"""Numbers that every room shares. Each is written here once."""

LEVEL = 0.90
"""Coverage of every interval unless asked otherwise."""

SEED = 20261101
"""Seed of every random draw unless asked otherwise."""

DRAWS = 4000
"""Draws behind every range that has no closed form."""

HITCH_FACTOR = 2.5
"""A frame is a hitch when longer than this multiple of its neighbours' running median."""

HITCH_NEIGHBOURS = 31
"""Frames in that running median, the frame itself in the middle."""
