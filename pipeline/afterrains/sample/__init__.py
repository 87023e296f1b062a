"""The invented sample programme "Dune Edge": its tables, truth and scenes."""

from afterrains.sample.write import SamplePaths, write_sample

__all__ = ["SamplePaths", "write_sample"]
