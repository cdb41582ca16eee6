"""The page: every number is one of result.json, nothing of it is live but its own script."""

import copy
import re
from collections import Counter
from types import SimpleNamespace

import numpy as np
import pytest

from calib.chain.rig import rig_from_dict, rig_from_template, template_names
from calib.document.record import ResultRecord
from calib.document.solved import Rig as RigRecord
from calib.edge import envelope_edge
from calib.judge.choice import solve_as_chosen
from calib.report.evidence import edge_record
from calib.report.figures import dimensions, edge_maps, views
from calib.report.figures.residuals import kinds, numbers
from calib.report.figures.style import drawings, pen, svg
from calib.report.figures.symbols import FLAGGED, LOOKS, SUSPECT
from calib.report.pages.contents import cautions
from calib.report.pages.misses import MOST_ROWS, _trends, plots
from calib.report.pages.report import foot, headings, report_page
from calib.report.pages.values import edge_now, taped
from calib.report.press.pdf import report_pdf
from calib.report.record import parameter_records
from calib.report.words.job import fingerprint_words
from calib.simulate import simulate
from tests.conftest import STANDARD
from tests.report.conftest import HOSTILE, document_of, record
from tests.report.reading import Page, leaves, stray_numbers

#: Numbers of the report's own words: 95 %, 1 sd, 3-D, and the length of a cut table.
OWN_WORDS = {"95", "1", "3", "0", str(MOST_ROWS)}


def html_of(document) -> str:
    """The page alone."""
    return report_page(record(document))


@pytest.fixture(scope="module")
def html_aside(document_aside):
    """The page of the run with the suspects set aside."""
    return html_of(document_aside)


@pytest.fixture(scope="module")
def read_aside(html_aside):
    """The same taken apart."""
    return Page(html_aside)


@pytest.mark.parametrize("which", ["", "_aside"])
def test_every_number_is_one_of_the_result(request, which):
    """Each shown number is a number of result.json, rounded as it is shown."""
    document = request.getfixturevalue(f"document{which}")
    read = request.getfixturevalue(f"read{which}")
    known, strings = leaves(document)
    assert len(read.numbers) > 1000
    for raw, factor, shown in read.numbers:
        if factor is None:
            continue
        assert float(raw) in known, f"{shown} ({raw}) is not in result.json"
        decimals = len(shown.partition(".")[2])
        assert abs(float(shown) - float(raw) * factor) <= 0.5000001 * 10.0**-decimals, shown
    words = read.words.replace("SHA-256", "")
    told = record(document)
    stray = stray_numbers(words, strings | {*headings(told), foot(told), fingerprint_words(told)})
    ranks = range(1, 1 + len(told.suspects) + len(told.set_aside.values))
    assert not {n.rstrip(".,") for n in stray} - OWN_WORDS - set(map(str, ranks))


def test_a_number_that_is_not_in_the_result_is_noticed(document, html):
    """The test above can fail: a page with a changed digit does not pass it."""
    wrong = html.replace('<data value="', '<data value="9', 1)
    known, _ = leaves(document)
    assert any(float(raw) not in known for raw, factor, _ in Page(wrong).numbers if factor)


def test_maps_carry_their_numbers(document):
    """The cells of the maps are the values of result.json in mm."""
    document = copy.deepcopy(document)
    document["edge"]["sd"][0][0] *= 2
    told = record(document)
    pictures = drawings(told, [edge_now(told), taped(told, told.taped)])
    for name, values in (("edge-sd", told.edge.sd), ("taped-error", told.taped.edge.error)):
        cells = [1000 * v for reach in values for v in reach]
        digits = 0 if max(cells) >= 10 else 1
        wanted = Counter(f"{v:.{digits}f}" for v in cells)
        assert not wanted - Counter(texts_of(pictures[name]))


def texts_of(image):
    """The texts of one picture."""
    return Page(f'<figure id="f">{image}</figure>').figures["f"]


def test_a_flat_map_is_a_sentence(document, read):
    """Where the edge is known equally well everywhere a map would show nothing."""
    cells = [1000 * sd for reach in document["edge"]["sd"] for sd in reach]
    assert max(cells) - min(cells) < 0.1 * max(cells)
    assert "figure-edge-sd" not in read.figures
    assert "nowhere clearly better or worse" in read.words
    shown = {text for _, _, text in read.numbers}
    assert {f"{min(cells):.1f}", f"{max(cells):.1f}"} <= shown


def test_drawings_carry_the_solved_values(document, read):
    """Every estimated quantity that moves the edge stands on the drawing with its value."""
    texts = " ".join(read.figures["figure-dimensions"])
    for p in document["parameters"]:
        if p["status"] == "estimated":
            assert p["name"].replace("_", " ") in texts
    boom = next(p for p in document["parameters"] if p["name"] == "boom_length")
    assert f"{1000 * boom['value']:.1f}" in texts


def test_suspects_carry_their_number_in_the_figures(document, read):
    """Each suspect shot has its number in the plots, and the page says whose number it is."""
    suspects = [s["shot"] for s in document["shots"] if s["suspect"]]
    given = numbers(record(document))
    assert suspects
    for shot in suspects:
        assert f"{given[shot]} is shot {shot}" in read.words
        for figure in ("figure-by-order", "figure-plan-side"):
            assert any(text.partition(":")[0] == given[shot] for text in read.figures[figure])


def test_set_aside_shots_stay_visible(document_aside, html_aside, read_aside):
    """A shot set aside is listed with its reason and drawn with its number, as a cross."""
    aside = [s["shot"] for s in document_aside["set_aside"]["shots"]]
    given = numbers(record(document_aside))
    assert len(aside) == 2
    assert all(s["target"] == "edge_left" for s in document_aside["set_aside"]["shots"])
    for shot in aside:
        assert f"set aside (no. {given[shot]}) shot {shot}" in read_aside.words
        texts = read_aside.figures["figure-by-order"]
        assert any(text.partition(":")[0] == given[shot] for text in texts)
    assert "var(--aside)" in html_aside.partition("</style>")[2]


def test_flagged_and_suspect_shots_are_drawn_unlike(document):
    """Another shape, another colour, another word in the legend; and only what is there is said."""
    told = record(document)
    chosen = next(s for s in told.suspects if s.kind == "shot" and s.beyond_chance)
    told, flagged = (told.model_copy(update={"suspects": [
        chosen.model_copy(update={"beyond_chance": beyond})]}) for beyond in (True, False))
    shown = next(s for s in told.shots if s.shot == chosen.name)
    assert kinds(told, [shown]) == [SUSPECT] and kinds(flagged, [shown]) == [FLAGGED]
    (_, suspect, _), (_, watch, _) = LOOKS[SUSPECT], LOOKS[FLAGGED]
    assert suspect["marker"] != watch["marker"] and suspect["edgecolors"] != watch["edgecolors"]
    says = ["".join(map(str, plots(d).blocks[0].parts)) for d in (told, flagged)]
    assert LOOKS[SUSPECT][0] in says[0].lower() and LOOKS[SUSPECT][0] not in says[1].lower()
    assert LOOKS[FLAGGED][0] in says[1].lower()


def test_ids_from_files_are_text(html, read):
    """Markup, templates and mathematics in ids come out as they went in."""
    for text in HOSTILE:
        assert text in read.words
    assert "<script>alert" not in html
    scripts = [a.get("type") for tag, a in read.tags if tag == "script"]
    assert scripts == ["application/json", None]


def test_nothing_is_fetched(html, read):
    """No element refers to anything outside the page, and the policy forbids it."""
    for tag, attributes in read.tags:
        for name in ("src", "href", "xlink:href", "action", "data", "poster", "srcset"):
            target = attributes.get(name)
            assert target is None or target.startswith("#"), (tag, name, target)
            if tag == "a" and target and target.startswith("#shot-"):
                assert f'id="{target[1:]}"' in html, target
    assert "default-src 'none'" in html
    assert not re.search(r"url\((?!#)", html)
    assert "@import" not in html


def test_ids_of_the_page_are_unique(read):
    """Figures share one page without sharing ids."""
    ids = [a["id"] for _, a in read.tags if "id" in a]
    assert [i for i, n in Counter(ids).items() if n > 1] == []


def test_every_figure_has_words(read):
    """Each figure has an alternative text of a sentence, and axes with units and n."""
    assert len(read.figures) >= 15
    for figure, label in read.labels.items():
        assert len(label) > 40, figure
    without_n = {"figure-dimensions", "figure-signs"}
    for figure, texts in read.figures.items():
        if figure not in without_n:
            assert any("n = " in text for text in texts), figure


def test_order_of_the_sections(read):
    """Verdict first, provenance after the cautions, as people read; the words explained last."""
    sections = [a["id"] for tag, a in read.tags if tag == "section"]
    assert sections == ["verdict", "enter", "taped", "check", "plots", "misfits", "edge",
                        "identifiability", "cautions", "sign-off", "provenance", "words"]
    links = [a["href"] for tag, a in read.tags if tag == "a" and "href" in a]
    assert links == [f"#{s}" for s in sections]


def test_a_bare_result_has_a_report(rig):
    """Without tape, check shots and files the report is made, and says what is missing."""
    run, _ = simulate(rig, np.random.default_rng(2), poses=12, taped=False)
    read = Page(html_of(document_of(run)))
    assert "taped" not in [a.get("id") for tag, a in read.tags if tag == "section"]
    assert "no check shots" in read.words


@pytest.mark.parametrize("template", template_names())
def test_every_shipped_rig_is_drawn(template):
    """Any rig is drawn and mapped from its own chain."""
    readings = {r.name: 0.05 for r in rig_from_template(template).readings}
    rig = rig_from_dict({**STANDARD, "template": template, "readings": {"sd": readings}})
    targets = [rig.target_names[i] for i in rig.edge_targets if "mid" not in rig.target_names[i]]
    run, _ = simulate(rig, np.random.default_rng(5), poses=14, targets=targets[:2])
    chosen = solve_as_chosen(run)
    solution = chosen.solution
    nodes = envelope_edge(rig, solution.parameters)
    document = ResultRecord.model_construct(
        rig=RigRecord(name=rig.name, title=rig.title, definition=rig.definition),
        parameters=parameter_records(chosen),
        edge=edge_record(nodes, solution.covariance),
    )
    with pen():
        texts, map_texts = (texts_of(svg("x", draw, document, (7, 6)))
                            for draw in (views.signs, edge_maps.edge_sd))
        svg("x", dimensions.dimensions, document, (4.3, 7.4))
    moving = [p.name.replace("_", " ") for p in rig.parameters if not p.held]
    assert set(moving) & set(texts)
    assert any("n = " in text for text in map_texts)


def test_paper_without_tags_where_their_tree_breaks(monkeypatch):
    """The library's own fault with the tags of some pages costs the tags, not the paper."""
    import typst

    real = typst.compile

    def broken(project, *, pdf_tags=True, **wanted):
        if pdf_tags:
            raise typst.TypstError("internal error: parent group")
        return real(project, pdf_tags=False, **wanted)

    monkeypatch.setattr(typst, "compile", broken)
    assert report_pdf("A title", "of a run", [cautions()], {}).startswith(b"%PDF")


def test_a_dated_pdf(report, monkeypatch):
    """With SOURCE_DATE_EPOCH it bears that date, always the same way; else none."""
    dated = b"D:20231114"
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1700000000")
    one, other = (report_pdf("A title", "of a run", [cautions()], {}) for _ in range(2))
    assert one == other and dated in one
    assert dated not in report["report.pdf"]


def test_a_trend_within_chance_says_so_before_it_says_what():
    """Nobody is to be alarmed by what most clean runs show."""
    def told(**fields):
        items, = _trends(SimpleNamespace(trends=[SimpleNamespace(says="The edge sags.", **fields)]))
        return [(mark, "".join(map(str, parts))) for mark, parts in items.rows]

    assert told(significant=False, chance=1.0) == [
        ("", "Nothing to act on (100 % of clean runs show as much): The edge sags.")]
    assert told(significant=False, chance=None) == [("", "Nothing to act on: The edge sags.")]
    assert told(significant=True, chance=0.002) == [
        ("trend", "The edge sags. 0.2 % of clean runs show as much.")]
