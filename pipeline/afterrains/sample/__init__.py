"""The invented sample programme "Dune Edge": its tables, truth and scenes."""

from afterrains.sample.write import SamplePaths, is_written, write_sample

__all__ = ["SamplePaths", "is_written", "write_sample"]
