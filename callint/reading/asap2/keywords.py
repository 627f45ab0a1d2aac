"""The keywords of the standard ASAM MCD-2 MC (ASAP2), versions 1.5 to 1.7, by the block that holds them."""

from __future__ import annotations

#: Number of arguments of a keyword that takes any number of them.
ANY_NUMBER = -1
_ALIGNMENTS = {
    f"ALIGNMENT_{kind}": 1
    for kind in ("BYTE", "WORD", "LONG", "INT64", "FLOAT16_IEEE", "FLOAT32_IEEE", "FLOAT64_IEEE")
}
_COMMON = {
    "BYTE_ORDER": 1,
    "CALIBRATION_ACCESS": 1,
    "DISCRETE": 0,
    "DISPLAY_IDENTIFIER": 1,
    "ECU_ADDRESS_EXTENSION": 1,
    "EXTENDED_LIMITS": 2,
    "FORMAT": 1,
    "MODEL_LINK": 1,
    "PHYS_UNIT": 1,
    "READ_ONLY": 0,
    "REF_MEMORY_SEGMENT": 1,
    "STEP_SIZE": 1,
    "SYMBOL_LINK": 2,
}
#: Number of arguments of each optional keyword, by kind of block.
OPTIONS: dict[str, dict[str, int]] = {
    "CHARACTERISTIC": _COMMON
    | {
        "BIT_MASK": 1,
        "COMPARISON_QUANTITY": 1,
        "ENCODING": 1,
        "GUARD_RAILS": 0,
        "MATRIX_DIM": ANY_NUMBER,
        "MAX_REFRESH": 2,
        "NUMBER": 1,
    },
    "AXIS_DESCR": {
        "AXIS_PTS_REF": 1,
        "BYTE_ORDER": 1,
        "CURVE_AXIS_REF": 1,
        "DEPOSIT": 1,
        "EXTENDED_LIMITS": 2,
        "FIX_AXIS_PAR": 3,
        "FIX_AXIS_PAR_DIST": 3,
        "FORMAT": 1,
        "MAX_GRAD": 1,
        "MONOTONY": 1,
        "PHYS_UNIT": 1,
        "READ_ONLY": 0,
        "STEP_SIZE": 1,
    },
    "AXIS_PTS": _COMMON | {"DEPOSIT": 1, "GUARD_RAILS": 0, "MAX_REFRESH": 2, "MONOTONY": 1},
    "COMPU_METHOD": {
        "COEFFS": 6,
        "COEFFS_LINEAR": 2,
        "COMPU_TAB_REF": 1,
        "REF_UNIT": 1,
        "STATUS_STRING_REF": 1,
    },
    "COMPU_TAB": {"DEFAULT_VALUE": 1, "DEFAULT_VALUE_NUMERIC": 1},
    "COMPU_VTAB": {"DEFAULT_VALUE": 1},
    "COMPU_VTAB_RANGE": {"DEFAULT_VALUE": 1},
    "MEASUREMENT": _COMMON
    | {
        "ADDRESS_TYPE": 1,
        "ARRAY_SIZE": 1,
        "BIT_MASK": 1,
        "ECU_ADDRESS": 1,
        "ERROR_MASK": 1,
        "LAYOUT": 1,
        "MATRIX_DIM": ANY_NUMBER,
        "MAX_REFRESH": 2,
        "READ_WRITE": 0,
    },
    "RECORD_LAYOUT": _ALIGNMENTS
    | {"FNC_VALUES": 4, "IDENTIFICATION": 2, "RESERVED": 2, "RIP_ADDR_W": 2}
    | {"STATIC_ADDRESS_OFFSETS": 0, "STATIC_RECORD_LAYOUT": 0}
    | {
        f"{keyword}_{axis}": arguments
        for axis in "XYZ45"
        for keyword, arguments in (
            ("AXIS_PTS", 4),
            ("AXIS_RESCALE", 5),
            ("DIST_OP", 2),
            ("FIX_NO_AXIS_PTS", 1),
            ("NO_AXIS_PTS", 2),
            ("NO_RESCALE", 2),
            ("OFFSET", 2),
            ("RIP_ADDR", 2),
            ("SHIFT_OP", 2),
            ("SRC_ADDR", 2),
        )
    },
    "MOD_COMMON": _ALIGNMENTS | {"BYTE_ORDER": 1, "DATA_SIZE": 1, "DEPOSIT": 1, "S_REC_LAYOUT": 1},
    "MOD_PAR": {
        "ADDR_EPK": 1,
        "CPU_TYPE": 1,
        "CUSTOMER": 1,
        "CUSTOMER_NO": 1,
        "ECU": 1,
        "ECU_CALIBRATION_OFFSET": 1,
        "EPK": 1,
        "NO_OF_INTERFACES": 1,
        "PHONE_NO": 1,
        "SUPPLIER": 1,
        "SYSTEM_CONSTANT": 2,
        "USER": 1,
        "VERSION": 1,
    },
    "MEMORY_SEGMENT": {},
    "INSTANCE": _COMMON
    | {"ADDRESS_TYPE": 1, "LAYOUT": 1, "MATRIX_DIM": ANY_NUMBER, "MAX_REFRESH": 2}
    | {"READ_WRITE": 0},
    "STRUCTURE_COMPONENT": {"ADDRESS_TYPE": 1, "LAYOUT": 1, "MATRIX_DIM": ANY_NUMBER, "SYMBOL_TYPE_LINK": 1},
    "TYPEDEF_STRUCTURE": {"ADDRESS_TYPE": 1, "CONSISTENT_EXCHANGE": 0, "SYMBOL_TYPE_LINK": 1},
    "BLOB": _COMMON | {"ADDRESS_TYPE": 1, "MAX_REFRESH": 2},
    "GROUP": {"ROOT": 0},
    "FUNCTION": {"FUNCTION_VERSION": 1},
    "UNIT": {"REF_UNIT": 1, "SI_EXPONENTS": 7, "UNIT_CONVERSION": 2},
}
#: Number of mandatory parameters at the start of each kind of block, its name included.
MANDATORY = {
    "BLOB": 4,
    "CHARACTERISTIC": 9,
    "AXIS_DESCR": 6,
    "AXIS_PTS": 10,
    "COMPU_METHOD": 5,
    "COMPU_TAB": 4,
    "COMPU_VTAB": 4,
    "COMPU_VTAB_RANGE": 3,
    "MEASUREMENT": 8,
    "RECORD_LAYOUT": 1,
    "MOD_COMMON": 1,
    "MOD_PAR": 1,
    "MEMORY_SEGMENT": 12,
    "INSTANCE": 4,
    "STRUCTURE_COMPONENT": 3,
    "TYPEDEF_AXIS": 9,
    "TYPEDEF_BLOB": 3,
    "TYPEDEF_CHARACTERISTIC": 8,
    "TYPEDEF_STRUCTURE": 3,
    "GROUP": 2,
    "FUNCTION": 2,
    "UNIT": 4,
}
#: Blocks within blocks that a definition cannot hold.
UNUSED_INNER_BLOCKS = {
    "ANNOTATION",
    "BIT_OPERATION",
    "AR_COMPONENT",
    "CALIBRATION_METHOD",
    "FUNCTION_LIST",
    "IF_DATA",
    "IN_MEASUREMENT",
    "LOC_MEASUREMENT",
    "MAP_LIST",
    "MEMORY_LAYOUT",
    "OUT_MEASUREMENT",
    "REF_MEASUREMENT",
    "SUB_FUNCTION",
    "SUB_GROUP",
}
#: Blocks of a module that a definition cannot hold.
UNUSED_BLOCKS = {"A2ML", "ANNOTATION", "FRAME", "IF_DATA", "USER_RIGHTS"}
#: Blocks of a module that may hold tables and are not supported.
UNCOVERED_BLOCKS = {
    "TRANSFORMER",
    "TYPEDEF_MEASUREMENT",
    "VARIANT_CODING",
}
#: Unsupported keywords whose content could matter, so they count as uncovered.
UNCOVERED_KEYWORDS = {"OVERWRITE", "ECU_CALIBRATION_OFFSET", "S_REC_LAYOUT"}
