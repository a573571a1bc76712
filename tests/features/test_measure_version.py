"""Libraries that were scanned before a number or fault was added must be measured again."""

from __future__ import annotations

import zlib

from catalog.features import MEASURE_VERSION
from catalog.features.descriptors.table import DESCRIPTORS
from catalog.features.faults import FAULT_KINDS
from catalog.features.production import PRODUCTION_NAMES

NAMES_OF_VERSION = {5: 3_035_746_499}  # CRC-32 of all names


def test_new_numbers_and_faults_raise_the_version():
    names = sorted([*(d.name for d in DESCRIPTORS), *PRODUCTION_NAMES, *FAULT_KINDS])
    checksum = zlib.crc32(" ".join(names).encode())
    assert NAMES_OF_VERSION.get(MEASURE_VERSION) == checksum, (
        "a number or fault was added, renamed or removed: raise MEASURE_VERSION in"
        f" features/__init__.py, and add {checksum} for the new version to NAMES_OF_VERSION"
    )
