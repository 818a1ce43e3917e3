"""The newcomer's year of the documentation: every command runs, says what the page says, and was named before."""

import re

import pytest
import year_folders

from specmatch.reference.reference_set import ReferenceSet

# hashes and numbers depend on the arithmetic of the machine in their last figures
_LOOSE = re.compile(r"\b[0-9a-f]{12}\b|\d+(?:\.\d+)?(?:e-?\d+)?")
# an option that a message names by its first words: reasons, names and dates are a person's own
_OWN = re.compile(r" --(?:who|when|reason) \S+")


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    folder = tmp_path_factory.mktemp("year")
    year_folders.write_year(folder)
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        done = [(command, *year_folders.transcript(command)) for command in year_folders.commands()]
    return folder, done


@pytest.mark.whole
def test_at_most_twelve_commands_lead_to_a_set_without_an_open_finding(page):
    folder, done = page
    assert len(done) <= 12
    assert [code for _, code, _ in done] == [0, 1, 2, 0, 1, 1, 0, 1, 0, 0, 0]
    refs = ReferenceSet.load(folder / "house")
    assert refs.audit().empty and refs.batches["colour"].notna().all()
    assert [entry["when"] for entry in refs.history] == ["2026-01-05", "2026-01-05", "2026-01-19"]


@pytest.mark.whole
def test_what_the_page_shows_is_what_is_printed(page):
    _, done = page
    shown = year_folders.PAGE.read_text(encoding="utf-8")
    blocks = "".join(re.findall(r"```console\n(.*?)```", shown, flags=re.DOTALL))
    printed = "".join(f"$ {command}\n{text}" for command, _, text in done)
    assert _LOOSE.sub("#", printed) == _LOOSE.sub("#", blocks)


def test_each_command_was_named_by_a_message_before_it():
    """As the page shows them, which is as they are printed."""
    text = year_folders.PAGE.read_text(encoding="utf-8")
    shown = "".join(re.findall(r"```console\n(.*?)```", text, flags=re.DOTALL))
    parts = [part.partition("\n") for part in re.split(r"^\$ ", shown, flags=re.MULTILINE)[1:]]
    assert [command for command, _, _ in parts] == year_folders.commands()
    for place, (command, _, _) in enumerate(parts[1:], start=1):
        plain = _OWN.sub("", command)
        words = plain.split()
        before = "\n".join(said for _, _, said in parts[:place])
        if "--take" in plain:
            assert words[-1] in before and "--take FOLDER" in before
        else:
            # the folder or sheet to be added is the person's own
            named = " ".join(words[:3]) if words[1] == "extend" else plain
            assert named in before, plain
