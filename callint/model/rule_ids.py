"""The ids of all rules: a family and a fault.

Rules, waivers, reports and commands use these constants, so that a misspelt id is an error.
"""

from __future__ import annotations

from typing import Final

DEFINITION_INVALID: Final = "definition/invalid"
DEFINITION_DUPLICATE_NAME: Final = "definition/duplicate-name"
DEFINITION_UNKNOWN_REFERENCE: Final = "definition/unknown-reference"
DEFINITION_OUTSIDE_IMAGE: Final = "definition/outside-image"
DEFINITION_DECIMAL_ADDRESS: Final = "definition/decimal-address"
DEFINITION_OVERLAP: Final = "definition/overlap"
DEFINITION_CHECKSUM_OVER_ITSELF: Final = "definition/checksum-over-itself"
DEFINITION_NOT_INVERTIBLE: Final = "definition/not-invertible"
DEFINITION_LIMITS_INVERTED: Final = "definition/limits-inverted"
DEFINITION_LIMITS_UNREACHABLE: Final = "definition/limits-unreachable"
DEFINITION_NO_LIMITS: Final = "definition/no-limits"
DEFINITION_REPEATED_DEMAND: Final = "definition/repeated-demand"
DEFINITION_NO_UNIT: Final = "definition/no-unit"
DEFINITION_SIMILAR_CONVERSION: Final = "definition/similar-conversion"
DEFINITION_UNIT_DIFFERS: Final = "definition/unit-differs"
DEFINITION_UNUSED: Final = "definition/unused"
DEFINITION_UNGUARDED_PROTECTION: Final = "definition/unguarded-protection"
DEFINITION_UNDIRECTED_PROTECTION: Final = "definition/undirected-protection"
DEFINITION_UNUSABLE_GUARD: Final = "definition/unusable-guard"
DEFINITION_UNLIMITED_EMISSIONS: Final = "definition/unlimited-emissions"
DEFINITION_FIXED_AXIS_NOT_RISING: Final = "definition/fixed-axis-not-rising"
DEFINITION_UNCOVERED_OPERATING_RANGE: Final = "definition/uncovered-operating-range"
DEFINITION_UNUSABLE_RELATION: Final = "definition/unusable-relation"
DEFINITION_REDUNDANT_RELATION: Final = "definition/redundant-relation"
DEFINITION_CONTRADICTS_BASE: Final = "definition/contradicts-base"
DEFINITION_LOOSENED: Final = "definition/loosened"
DEFINITION_UNSTATED_MIRROR: Final = "definition/unstated-mirror"

IMAGE_UNASSIGNED: Final = "image/unassigned"
IMAGE_UNREADABLE: Final = "image/unreadable"
IMAGE_DAMAGED_RECORD: Final = "image/damaged-record"
IMAGE_WRONG_SIZE: Final = "image/wrong-size"
IMAGE_OUTSIDE_MEMORY: Final = "image/outside-memory"
IMAGE_MISSING_TABLE: Final = "image/missing-table"
IMAGE_UNKNOWN_IDENTITY: Final = "image/unknown-identity"
IMAGE_UNCOVERED_CHECKSUM: Final = "image/uncovered-checksum"
IMAGE_WRONG_IDENTITY: Final = "image/wrong-identity"
IMAGE_UNIT_NUMBER: Final = "image/unit-number"
IMAGE_COPIED: Final = "image/copied"
IMAGE_STALE_CHECKSUM: Final = "image/stale-checksum"
IMAGE_BLANK_TABLE: Final = "image/blank-table"
IMAGE_DOUBTFUL_TABLE: Final = "image/doubtful-table"
IMAGE_MISSING_BASE: Final = "image/missing-base"

AXIS_NOT_INCREASING: Final = "axis/not-increasing"
AXIS_REPEATED_BREAKPOINT: Final = "axis/repeated-breakpoint"
AXIS_WRONG_COUNT: Final = "axis/wrong-count"
AXIS_OUTSIDE_PLAUSIBLE: Final = "axis/outside-plausible"
AXIS_CHANGED: Final = "axis/changed"
AXIS_SHARED_AXIS_CHANGED: Final = "axis/shared-axis-changed"

VALUE_OUT_OF_RANGE: Final = "value/out-of-range"
VALUE_UNEXPECTED: Final = "value/unexpected"
VALUE_AT_END_STOP: Final = "value/at-end-stop"
VALUE_NOT_A_NUMBER: Final = "value/not-a-number"
VALUE_UNKNOWN_STATE: Final = "value/unknown-state"
VALUE_TOO_STEEP: Final = "value/too-steep"
VALUE_NOT_MONOTONIC: Final = "value/not-monotonic"
VALUE_OFF_IN_OPERATING_RANGE: Final = "value/off-in-operating-range"

PROTECTION_DISABLED: Final = "protection/disabled"
PROTECTION_WEAKENED: Final = "protection/weakened"
PROTECTION_READING_CHANGED: Final = "protection/reading-changed"
PROTECTION_UNREACHABLE_THRESHOLD: Final = "protection/unreachable-threshold"
PROTECTION_FLAT: Final = "protection/flat"

RELATION_EXCEEDS_BOUND: Final = "relation/exceeds-bound"
RELATION_MIRROR_DIFFERS: Final = "relation/mirror-differs"
RELATION_NOT_INVERSE: Final = "relation/not-inverse"
RELATION_GAP_CLOSED: Final = "relation/gap-closed"

CHANGE_UNEXPLAINED_BYTES: Final = "change/unexplained-bytes"
CHANGE_MISSING_BYTES: Final = "change/missing-bytes"
CHANGE_TOO_LARGE: Final = "change/too-large"
CHANGE_SUSPICIOUS_CELL: Final = "change/suspicious-cell"
CHANGE_SHIFTED_BLOCK: Final = "change/shifted-block"
CHANGE_OFF_CODE: Final = "change/off-code"
CHANGE_EMISSIONS: Final = "change/emissions"
CHANGE_IDENTITY: Final = "change/identity"

BASE_CHANGED: Final = "base/changed"

POLICY_LOOSENED: Final = "policy/loosened"

WAIVER_EXPIRED: Final = "waiver/expired"
WAIVER_OUTDATED: Final = "waiver/outdated"
WAIVER_SAME_PERSON: Final = "waiver/same-person"
WAIVER_UNUSED: Final = "waiver/unused"

#: The ids in the order in which pages and commands list the rules.
ALL: Final = tuple(value for name, value in list(globals().items()) if name.isupper())
