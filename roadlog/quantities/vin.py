"""Vehicle identification numbers in text: seventeen characters, no I, O or Q (ISO 3779).

The last four are digits and three letters stand somewhere, so that hashes and keys aren't taken
for one.
"""

import re

VIN = re.compile(
    r"(?<![A-Za-z0-9+/=])(?=[A-HJ-NPR-Z0-9]{11}\d{4,6}(?![A-Za-z0-9+/=]))"
    r"(?=\w*[A-Z]\w*[A-Z]\w*[A-Z])[A-HJ-NPR-Z0-9]{17}(?![A-Za-z0-9+/=])"
)
