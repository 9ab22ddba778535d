from xml.etree import ElementTree

from synthetic_fleet.signature_page import page


def test_every_cause_has_a_panel_and_the_picture_stays_small(constants):
    text = page(constants)
    titles = [node.text for node in ElementTree.fromstring(text).iter() if node.get("class") == "t"]  # noqa: S314
    for cause in constants.scenario["causes"]:
        assert any(title.endswith(f". {cause.replace('_', ' ')}") for title in titles)
    assert len(text.encode()) < 300_000
