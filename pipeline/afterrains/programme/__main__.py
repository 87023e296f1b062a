"""Print the JSON Schema of the programme file: `python -m afterrains.programme`."""

import json
import sys

from afterrains.programme.loading import programme_schema

sys.stdout.write(json.dumps(programme_schema(), indent=2, ensure_ascii=False) + "\n")
