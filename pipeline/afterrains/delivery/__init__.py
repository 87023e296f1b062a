"""Results out of the door: tables, rasters, their catalogue, and what they rest on.

Names are imported from the module that has them: a worker that writes rasters then does not load
what the tables and the page need.
"""
