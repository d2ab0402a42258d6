"""The notebook's cell: the same answers, all that comes from outside escaped."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree
from dataclasses import replace

from listen.report import check_html
from tests.helpers import PlainCapture, make_judgement, make_result, make_sweep


def test_it_is_well_formed_and_says_the_answers_in_order() -> None:
    html = check_html(make_result())
    # HTML written so that an XML reader takes it, once the one void element is closed.
    root = ElementTree.fromstring(html.replace("<br>", "<br/>"))
    assert [item.text for item in root.findall("./dl/dt/b")] == ["pitch", "start", "hold", "clean"]
    assert len(root.findall("./ol/li")) == 3
    assert len(root.findall("./table/tr")) == 1 + len(make_sweep())


def test_markup_in_names_and_sentences_is_text() -> None:
    judgement = make_judgement(headline="<script>x</script> & more")
    result = replace(make_result(judgement), capture=PlainCapture(path="<img src=x>.wav"))
    html = check_html(result)
    assert "<script>" not in html
    assert "<img" not in html
    assert "&lt;script&gt;x&lt;/script&gt; &amp; more" in html
