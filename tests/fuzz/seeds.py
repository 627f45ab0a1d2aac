"""Where fuzzing begins: small files of every kind, from the fixtures and the tests, and their mutations."""

from __future__ import annotations

import io
import json
import random
import re
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import bincopy
import openpyxl

from benchmarks.descriptions import _AXIS, _HEAD, _characteristic
from callint.comparing.compare import compare
from callint.decoding.decode import decode
from callint.model.image import Image
from callint.reporting.changes.cdfx import changes_cdfx
from tests.addresses.listing import demo, records, table_text
from tests.building import u16
from tests.fuzz.targets import decoded_yard
from tests.running import BAD, GOOD, POLICY, REPOSITORY, yard_base, yard_definition

_DEMO = REPOSITORY / "fixtures" / "demo" / "steps"


def _binary(data: bytes) -> bincopy.BinFile:
    file = bincopy.BinFile()
    file.add_binary(data)
    return file


def _description() -> bytes:
    parts = [_HEAD, *(_AXIS.format(number=n, at=0x800000 + 64 * n) for n in range(2))]
    return "".join(
        [*parts, *(_characteristic(n, n % 2) for n in range(6)), "/end MODULE\n/end PROJECT\n"]
    ).encode()


def _values() -> bytes:
    base = decoded_yard()
    new = decode(base.layout, Image.raw(BAD[:0x44] + bytes([1, 2, 3, 4]) + BAD[0x48:], 0, is_part=False))
    return changes_cdfx(compare(base, new), new, "new", "yard.xml")


def _workbook() -> bytes:
    book = openpyxl.Workbook()
    page = book.active
    assert page is not None
    page.append(["name", "address", "type", "columns"])
    page.append(["cut", "0x30", "uint16", 4])
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def _record_files(text: bytes) -> list[bytes]:
    """A file of records, one whose records are repaired, and one with all that people add to it."""
    lower = text.lower().replace(b"\n", b" ; GOOD\r\n", 2)
    return [text, b"+" + text, b"\xef\xbb\xbf; GOOD\r\n// \xe4\r\n" + lower + b"\x1a"]


def _measurement(compression: Any) -> bytes:
    """A measurement file with two groups of channels."""
    import numpy as np
    from asammdf import MDF, Signal

    file = MDF(version="4.10")
    times = np.arange(4.0)
    file.append([Signal(times * 100, times, name="speed")])
    file.append(
        [Signal(np.arange(2, dtype=np.uint16), times[:2], name="load", conversion={"a": 0.5, "b": 0})]
    )
    with TemporaryDirectory() as folder:
        path = Path(folder) / "seed.mf4"
        file.save(path, compression=compression)
        file.close()
        return path.read_bytes()


def _values_of_others() -> bytes:
    """The same file in UTF-16, with a document type and a foreign instance."""
    text = _values().decode().replace('encoding="UTF-8"?>', 'encoding="UTF-16"?><!DOCTYPE MSRSW SYSTEM "v">')
    return text.replace("<SHORT-NAME>fuel<", "<SHORT-NAME>other<").encode("utf-16")


def _manifest() -> bytes:
    """The manifest of a release, as short as the schema allows."""
    file = {"path": "a.bin", "sha256": "0" * 64}
    memory = {"start": 0, "size": 160, "fill": 255}
    counts = ("error", "warning", "note", "waived", "images", "tables", "cells")
    document = {
        "format": "callint-release",
        "version": 1,
        "callint": "1.0",
        "image": {**file, "content": "0" * 64, "start": 0, "memory": memory},
        "commit": {"id": "0" * 40, "author": "Ada", "email": "ada@yard.example", "subject": "Work"},
        "folder": "",
        "files": {"image": file, "review": file},
        "definition": {**file, "parts": []},
        "policy": {**file, "second_person": False},
        "findings": [],
        "waivers": [],
        "summary": dict.fromkeys(counts, 0),
    }
    return json.dumps(document, indent=1).encode()


def _sign_off() -> bytes:
    """A sign-off as short as the schema allows, with one accepted finding."""
    finding = {"fingerprint": "0" * 16, "rule": "value/out-of-range", "table": "fuel", "message": "too high"}
    file = {"path": "a.xml", "sha256": "0" * 64}
    document = {
        "format": "callint-sign-off",
        "version": 1,
        "program": "callint 1.0",
        "review": {"digest": "0" * 16, "title": "a.bin", "old": "b.bin", "new": "a.bin"},
        "images": [{"path": "a.bin", "old": "0" * 64, "new": "1" * 64, "base": file, "definition": file}],
        "policy": file,
        "reviewer": {"name": "Ada", "role": "calibrator", "date": "2026-05-14"},
        "decision": "agreed",
        "signed": True,
        "closing": "",
        "read": [{"image": "a.bin", "table": "fuel"}],
        "unread": [{"image": "a.bin", "bytes": True}],
        "accepted": [
            {
                "image": "a.bin",
                "cause": "cause-00c0ffee",
                "title": "fuel",
                "remark": "b",
                "findings": [finding],
            }
        ],
        "remarks": [{"image": "a.bin", "table": "fuel", "cell": [1, 2], "text": "Why?"}],
    }
    return json.dumps(document, indent=1).encode()


def seeds(target: str) -> list[bytes]:
    """The files that a target starts from."""
    makers: dict[str, Callable[[], list[bytes]]] = {
        "definition": lambda: [
            yard_definition(),
            b"\n".join((_DEMO / "01-factory/definitions/skerry-28.xml").read_bytes().splitlines()[:400])
            + b"\n</tables></definition>",
        ],
        "definition_merge": lambda: [
            yard_definition(),
            yard_definition().replace(b'max="100"', b'max="99"').replace(b"<note>", b"<!-- a --><note>"),
        ],
        "image": lambda: [GOOD, BAD, yard_base(), b"\xff" * len(GOOD), b""],
        "hex": lambda: _record_files(_binary(GOOD).as_ihex().encode()),
        "srec": lambda: _record_files(_binary(GOOD).as_srec().encode()),
        "asap2": lambda: [_description()],
        "addresses": lambda: [
            table_text(records(demo())[:8]).encode(),
            "Name\tAdresse [hex]\tTyp\tx axis\tFactor\tUnit\nx\t$10\tUWORD\t0x20\t0,5\t°C\n".encode("utf-16"),
            b"Table,,X axis,,,Limits\nname,address,type,address,type,min [rpm]\n"
            b'a,4A10h,UBYTE,$20,UWORD,"1,5"\n',
            _workbook(),
        ],
        "mapping": lambda: [
            b'addresses = "hexadecimal"\nbyte_order = "big"\nstart = 0x10\n[columns]\nname = "What"\n'
        ],
        "policy": lambda: [
            POLICY.encode(),
            *(path.read_bytes() for path in sorted(_DEMO.glob("*/callint.toml"))),
        ],
        "cdfx": lambda: [_values(), _values_of_others()],
        "question": lambda: [
            b"any fuel >= 10 mg and not (trim is off at speed=1200 or monitor is on)",
            b'"overspeed_cut" != 70 1/s or fuel < 1 g at speed=1, load=2',
        ],
        "values": lambda: [
            b"table,kind,unit,x,x_breakpoint,y,y_breakpoint,value,text,raw\n"
            b"fuel,map,mg,0,800,1,40,47.5,,420\ntrim,curve,degC,1,1600,,,,off,62\n",
            b"\xef\xbb\xbftable;fuel;map;mg;Fuel\nx;speed;rpm\ny;load;mg\n;800;1600;2400;3200\n"
            b"10;12;14;16;18\n40;42;47,5;46;48\n\ntable;monitor;scalar;;M\n;on\n",
        ],
        "release": lambda: [_manifest()],
        "sign_off": lambda: [_sign_off()],
        "mdf": lambda: [_measurement(compression) for compression in (0, 2)],
        "log": lambda: [
            b"time,speed,load\n0,800,10.5\n1,1600,20\n2,,x\n",
            b"time;speed;load\ns;rpm;mg\n0;800;10,5\n1;1600;20\n",
            "\ufefftime\tspeed\r\n0\t800\r\n".encode("utf-16"),
            u16(1, 2, 3),
        ],
    }
    return makers[target]()


#: Pieces that are put in place of others.
_NASTY = [
    *(b"", b"0", b"-1", b"255", b"65536", b"4294967296", b"18446744073709551615", b"0xFFFFFFFFFFFF", b"0x"),
    *(b"1e308", b"-1e-320", b"nan", b"inf", b"1_0", b"9" * 400),
    *(b"\xff\xfe", b"\xed\xa0\x80", b"\xe2\x80\xae", b"\x00", b"\n", b"\r", b"\\", b"'", b'"'),
    *(b"&#x9b;", b"&#0;", b"<!DOCTYPE a>", b"]]>", b"[[", b"=", b"../..", b"/include", b"/begin", b"/end"),
]
_PIECE = re.compile(rb'"[^"\n]*"|<[^<>]*>|[\w.+-]+|\n|.', re.DOTALL)


def mutated(data: bytes, size: int, seed: int) -> bytes:
    """The bytes with some pieces dropped, doubled, exchanged, or replaced by nasty ones; at most ``size``."""
    chance = random.Random(seed)
    pieces = _PIECE.findall(data)
    for _ in range(chance.randint(1, 4)):
        if not pieces:
            break
        at, other = chance.randrange(len(pieces)), chance.randrange(len(pieces))
        match chance.randrange(7):
            case 0:
                del pieces[at : at + chance.choice([1, 1, 2, 10, 50])]
            case 1:
                pieces[at:at] = pieces[other : other + chance.choice([1, 2, 10, 50])]
            case 2:
                pieces[at], pieces[other] = pieces[other], pieces[at]
            case 3:
                quote = b'"' if pieces[at][:1] == b'"' else b""
                pieces[at] = quote + chance.choice(_NASTY) + quote
            case 4:
                pieces[at] = pieces[other]
            case 5:
                pieces[at] = re.sub(rb"\d+", lambda _: chance.choice(_NASTY), pieces[at], count=1)
            case _:
                pieces.insert(at, chance.choice(_NASTY))
    return b"".join(pieces)[:size]
