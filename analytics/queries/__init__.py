"""What people ask the store: each function takes a `Session` and returns frames or small frozen records.

Nothing here computes a fact or a verdict. A site's registry row is its newest one; a day of a site is its
local day. Values are always bound.
"""
