"""What is served of the program's own style sheets and scripts."""

import re
from pathlib import Path

import pytest
from django.contrib.staticfiles.storage import HashedFilesMixin
from django.core.files.storage import FileSystemStorage

from shop.collected import Collected, without_comments

pytestmark = pytest.mark.once

STATIC = Path(__file__).parent.parent.parent / "static"
SCRIPTS = sorted(path for path in STATIC.glob("js/*.js") if not path.name.endswith(".min.js"))


@pytest.mark.parametrize("path", SCRIPTS, ids=lambda path: path.name)
def test_of_a_script_comments_go_and_every_other_line_stays_at_its_place(path):
    written = path.read_text().split("\n")
    served = without_comments(path.name, path.read_bytes()).decode().split("\n")
    assert len(served) == len(written)
    gone = [place for place, (before, after) in enumerate(zip(written, served, strict=True)) if before != after]
    assert [written[place] for place in gone if not re.match(r"\s*//", written[place]) or served[place]] == []
    # None of them is a line of a text: those are between two of these, and none of ours holds one.
    assert [place for place in gone if "\n".join(written[:place]).count("`") % 2] == []


@pytest.mark.parametrize("name", ["page.css", "print.css"])
def test_of_a_sheet_comments_go_alone(name):
    written = (STATIC / "css" / name).read_bytes()
    served = without_comments(name, written)
    assert b"/*" not in served
    assert b"*/" not in served
    assert (served.count(b"{"), served.count(b"}")) == (written.count(b"{"), written.count(b"}"))
    assert b'content: ""' in served


def test_a_script_imports_others_by_names_that_change_with_what_they_hold(tmp_path):
    """Otherwise a tablet could go on with one of yesterday's beside one of today's."""
    own = FileSystemStorage(STATIC)
    paths = {f"js/{name}.js": (own, f"js/{name}.js") for name in ("run", "box", "rules")}
    storage = Collected(location=tmp_path, base_url="/static/")
    list(HashedFilesMixin.post_process(storage, paths))
    (run,) = tmp_path.glob("js/run.*.js")
    imported = re.findall(r'from "\./(\w+\.[0-9a-f]{12}\.js)"', run.read_text())
    assert {name.split(".")[0] for name in imported} == {"box", "rules"}
    assert [name for name in imported if not (tmp_path / "js" / name).exists()] == []
    assert "// The bench run" not in run.read_text()
