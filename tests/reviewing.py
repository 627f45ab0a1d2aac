"""What the page of a review saves, made without a browser."""

from __future__ import annotations

import json
from typing import Any

from tests.running import Yard, valid

Json = dict[str, Any]

REASON = "The bench run of 12 May allows it."
_FIELDS = ("fingerprint", "rule", "table", "message")


def sign_off(review: Json, name: str = "Ada Quay") -> Json:
    """What the page of a review saves if a reviewer accepts every mistake with the same remark."""
    findings = review["findings"]
    points = [
        (cause["title"], cause, [findings[number] for number in cause["findings"]])
        for cause in review.get("causes", [])
    ]
    points += [
        (finding["message"], finding, [finding])
        for finding in findings
        if "cause" not in finding and "waiver" not in finding and finding["severity"] != "note"
    ]
    paths = [image["path"] for image in review["images"]]

    def file(image: Json, key: str) -> Json:
        digest = image["sha256"].get(key)
        return {key: {"path": image[key], "sha256": digest}} if digest else {}

    made = {
        "format": "callint-sign-off", "version": 1, "program": review["program"],
        "review": {key: review[key] for key in ("digest", "title", "old", "new")},
        "images": [
            {"path": image["path"], **{side: image["sha256"][side] for side in ("old", "new")},
             **file(image, "base"), **file(image, "definition")}
            for image in review["images"]
        ],
        "policy": review["policy"],
        "reviewer": {"name": name, "role": "second calibrator", "date": "2026-05-14"},
        "decision": "agreed", "signed": True, "closing": "", "read": [], "unread": [], "remarks": [],
        "accepted": [
            {
                **({"image": paths[point["image"]]} if "image" in point else {"source": point["source"]}),
                "title": title, "remark": REASON,
                "findings": [{key: one[key] for key in _FIELDS if key in one} for one in own],
            }
            for title, point, own in points
        ],
    }  # fmt: skip
    return valid(made, "sign-off.schema.json")  # type: ignore[no-any-return]


def reviewed(yard: Yard) -> Json:
    assert (
        yard.call(
            "review", "factory/base.bin", "boats/heron.bin", "--format", "json", "--output", "review.json"
        ).status
        == 0
    )
    review: Json = json.loads((yard.root / "review.json").read_text("utf-8"))
    (yard.root / "review.json").unlink()
    return review


def signed_review(yard: Yard) -> str:
    """The text of the file that a reviewer of boats/heron.bin saved, who accepts everything."""
    return json.dumps(sign_off(reviewed(yard)), indent=1) + "\n"
