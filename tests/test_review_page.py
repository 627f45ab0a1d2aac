"""The text of a review page before any script runs."""

from __future__ import annotations

import base64
import hashlib
import json
import re

from lxml import html

from tests.browser.documents import document, finding, image, smoke_limit, text_of, yard


def tree() -> html.HtmlElement:
    return html.fromstring(text_of(yard()))


def words(css: str) -> list[str]:
    return [" ".join(item.text_content().split()) for item in tree().cssselect(css)]


def test_the_same_document_gives_the_same_page_byte_by_byte() -> None:
    assert text_of(yard()) == text_of(json.loads(json.dumps(yard())))


def test_the_policy_names_style_and_script_by_their_hashes_and_allows_nothing_else() -> None:
    text = text_of(yard())
    (policy,) = tree().xpath("//meta[@http-equiv='Content-Security-Policy']/@content")
    allowed = dict(part.split(" ", 1) for part in policy.split("; "))
    for directive, pattern in (
        ("style-src", r"<style>(.*?)</style>"),
        ("script-src", r"<script>(.*?)</script>"),
    ):
        (content,) = re.findall(pattern, text, re.DOTALL)
        digest = base64.b64encode(hashlib.sha256(content.encode()).digest()).decode()
        assert allowed.pop(directive) == f"'sha256-{digest}'"
    assert allowed == {"default-src": "'none'", "base-uri": "'none'", "form-action": "'none'"}


def test_nothing_in_the_page_refers_to_the_outside() -> None:
    text = text_of(yard()).replace("http://www.w3.org/2000/svg", "")
    assert re.findall(r"https?:|url\(|@import|src=|innerHTML|eval\(|document\.write", text) == []


def test_the_document_is_in_the_page_as_it_is() -> None:
    (embedded,) = tree().xpath("//script[@type='application/json']")
    assert json.loads(embedded.text) == yard()


def test_no_text_ends_the_script_or_opens_a_comment() -> None:
    made = document([image(0, "</script><!--<script>", [smoke_limit()])])
    assert text_of(made).count("</script>") == 2
    assert "<!--" not in text_of(made)


def test_the_first_screen_names_what_is_compared_and_what_was_found() -> None:
    assert words("h1") == ["boats/heron.bin"]
    assert words(".between") == ["factory/skerry-28.bin →to boats/heron.bin"]
    assert words(".verdict") == [yard()["verdict"]]
    assert words(".counts li") == ["2 mistakes", "1 error", "1 warning", "1 note", "1 waived"]
    assert words(".groups dd") == ["1 table changed."]
    assert words(".cautions p") == yard()["cautions"]


def links(css: str, made: html.HtmlElement | None = None) -> list[tuple[str, str, str]]:
    """The text, the target and the filter of each link."""
    found = (tree() if made is None else made).cssselect(f"{css} a")
    return [
        (" ".join(item.text_content().split()), item.get("href", ""), item.get("data-filter", ""))
        for item in found
    ]


def test_every_count_and_name_of_the_first_screen_links_to_its_subject() -> None:
    assert links(".counts") == [
        ("2 mistakes", "#~findings", ""),
        ("1 error", "#~findings", "severity=error"),
        ("1 warning", "#~findings", "severity=warning"),
        ("1 note", "#~findings", "severity=note"),
        ("1 waived", "#~waived", ""),
    ]
    assert links(".verdict") == [
        ("1 error", "#~findings", "severity=error"),
        ("1 warning", "#~findings", "severity=warning"),
    ]
    assert links(".groups dt") == [
        ("Smoke limitation", "#~image-0", "purpose=protection&group=Smoke+limitation")
    ]
    assert links(".fact.waived") == [("Overspeed cut", "#overspeed_cut", "")]


def test_each_count_of_the_verdict_links_to_the_first_image_that_has_it() -> None:
    demand = {**smoke_limit(), "purpose": "demand"}
    images = [image(n, f"boats/{n}.bin", [made]) for n, made in enumerate((demand, smoke_limit()))]
    verdict = "3 new mistakes, 1 disables a protection. 1 protection table changed. 1 image was added."
    assert links(".verdict", html.fromstring(text_of(document(images, verdict=verdict)))) == [
        ("3 new mistakes", "#~findings", ""),
        ("1 disables a protection", "#~findings", "danger=disabled+protection"),
        ("1 protection table", "#~image-1", "purpose=protection"),
        ("1 image was added", "#~images", ""),
    ]
    single = html.fromstring(text_of(document(images[:1], verdict="1 image could not be compared.")))
    assert links(".verdict", single) == []


def test_every_count_in_the_matrix_of_images_links_to_what_it_counts() -> None:
    images = [image(n, f"boats/{name}.bin", [smoke_limit()]) for n, name in enumerate(("heron", "auk"))]
    found = [
        finding(0, "a/a", "error", "off", table="smoke_limit", image=1, cause=0),
        finding(1, "a/b", "warning", "late", table="smoke_limit", image=1, cause=0),
    ]
    cause = {
        "id": 0,
        "image": 1,
        "title": "off",
        "severity": "error",
        "danger": "disabled protection",
        "findings": [0, 1],
    }
    made = html.fromstring(text_of(document(images, found, causes=[cause])))
    auk = "image=boats%2Fauk.bin"
    assert links(".matrix tbody tr:nth-child(2)", made) == [
        ("boats/auk.bin", "#~image-1", ""),
        ("changed", "#~facts-1", ""),
        ("1", "#~image-1", ""),
        ("1", "#~findings", auk),
        ("1", "#~findings", f"{auk}&danger=disabled+protection"),
        ("1", "#~findings", f"{auk}&severity=error"),
        ("1", "#~findings", f"{auk}&severity=warning"),
    ]
    ids = {item.get("id") for item in made.cssselect("[id]")}
    assert [
        target for _, target, _ in links(".first", made) if target[1:] not in ids and "finding" not in target
    ] == []


def test_a_sentence_links_to_the_table_that_it_names() -> None:
    sentences = [
        {"purpose": "protection", "group": "Smoke limitation", "text": "Smoke limit: 3 of 48 cells; Smoke"}
    ]
    made = html.fromstring(
        text_of(document([image(0, "boats/heron.bin", [smoke_limit()], sentences=sentences)]))
    )
    assert links(".groups dd", made) == [("Smoke limit", "#smoke_limit", "")]


def test_the_first_screen_shows_who_waived_what_and_why() -> None:
    assert words(".waived p") == ["Ada Quay, until 2027-01-31: asked for by the skipper"]
    assert words(".fact.waived li") == ["Overspeed cut: 300 rpm more; at most 100 rpm is accepted"]


def test_the_share_of_explained_bytes_is_never_rounded_up_to_all() -> None:
    def share(changed: int, explained: int) -> str:
        known = {"changed": changed, "explained": explained, "runs": [], "more": 0}
        made = html.fromstring(text_of(document([image(0, "boats/heron.bin", [], bytes=known)])))
        facts = {
            item.cssselect("dt")[0].text: item.cssselect("dd")[0].text
            for item in made.cssselect(".identity div")
        }
        return str(facts["Changed bytes"]).replace("\N{NO-BREAK SPACE}", " ")

    assert share(120, 118) == "118 of 120 explained (98.3 %)"
    assert share(100_000, 99_999) == "99,999 of 100,000 explained (99.9 %)"
    assert share(7, 7) == "7 of 7 explained (100 %)"
    assert share(0, 0) == "none"


def test_every_changed_table_has_a_heading_and_is_in_the_list() -> None:
    names = ["smoke_limit", "overspeed_cut", "speed_trim", "monitor"]
    assert tree().xpath("//article/@id") == names
    assert tree().xpath("//nav//ol//a/@href") == [f"#{name}" for name in names]
    assert words("article h3 code") == names
    # The note is about an axis, and so about the table on it.
    assert words(".list .badge") == ["E, error", "N, note"]


def test_the_reason_why_an_image_could_not_be_compared_is_shown() -> None:
    images = [
        image(0, "boats/gannet.bin", [], state="unreadable", trouble="it is too short"),
        image(1, "boats/heron.bin", [smoke_limit()]),
    ]
    made = html.fromstring(text_of(document(images, title="2 images, v1..v2")))
    first = made.cssselect("section.image")[0].text_content()
    assert "boats/gannet.bin" in first
    assert "it is too short" in first
    assert made.xpath("//article/@id") == ["1.smoke_limit"]
