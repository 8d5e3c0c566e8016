"""What holds for the project as a whole: where things lie, who may import what, what no file may hold."""

import ast
import json
import os
import re
import runpy
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from functools import cache
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest
from django.core.management import call_command, get_commands
from django.template.loader import get_template

ROOT = Path(__file__).resolve().parent.parent
TOP_LEVEL = {
    "DEVELOPERS.md",
    "Makefile",
    "README.md",
    "keyboards",
    "manage.py",
    "pyproject.toml",
    "requirements.lock",
    "shop",
    "static",
    "templates",
    "tests",
}
# Each place where text goes into HTML without being escaped, with what makes that right.
UNESCAPED = {
    "keyboards/templatetags/keyboards.py": "drawings, in which keyboards/drawing/svg.py escapes every word",
    "shop/views/hours.py": "the dots of quoted and booked hours, in which shop/documents/hours.py escapes every word",
}


@cache
def project_files() -> tuple[Path, ...]:
    """Every file that is, or is about to be, under version control; paths from the root."""
    listed = subprocess.run(
        ["git", "-c", "safe.directory=*", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    return tuple(Path(name) for name in sorted(set(listed.split("\0"))) if name and (ROOT / name).is_file())


def files(*suffixes: str, under: tuple[str, ...] = ()) -> list[Path]:
    """The project's files that end so, in those top folders (everywhere if none is named)."""
    return [path for path in project_files() if path.name.endswith(suffixes) and (not under or path.parts[0] in under)]


def program() -> list[Path]:
    """The Python files of both apps."""
    return files(".py", under=("shop", "keyboards"))


def read(path: Path) -> str:
    return (ROOT / path).read_text(encoding="utf-8")


@cache
def parsed(path: Path) -> ast.Module:
    return ast.parse(read(path), filename=str(path))


def imports(path: Path) -> Iterator[str]:
    """The modules a file imports anywhere in it, in functions too; relative ones made absolute."""
    for node in ast.walk(parsed(path)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            home = path.parent.parts[: len(path.parent.parts) - node.level + 1] if node.level else ()
            module = ".".join((*home, *([node.module] if node.module else [])))
            yield module
            yield from (f"{module}.{alias.name}" for alias in node.names)


def in_package(module: str, *packages: str) -> bool:
    return any(module == package or module.startswith(f"{package}.") for package in packages)


def places(pattern: str, paths: list[Path]) -> list[str]:
    """file:line of every match, for a message one can click on."""
    found = []
    for path in paths:
        text = read(path)
        for match in re.finditer(pattern, text, re.IGNORECASE | re.MULTILINE):
            line = text.count("\n", 0, match.start()) + 1
            found.append(f"{path}:{line}: {match.group().strip()[:60]}")
    return found


# --- where things lie ----------------------------------------------------------------------------


def test_the_top_level_holds_what_the_guide_says_and_nothing_else():
    names = {path.parts[0] for path in project_files()}
    assert {name for name in names if not name.startswith(".")} == TOP_LEVEL


def test_no_file_is_named_after_a_pile():
    piles = {"utils", "util", "helpers", "helper", "common", "services", "service", "misc"}
    assert [path for path in project_files() if piles & {part.split(".")[0] for part in path.parts}] == []


def test_every_folder_of_tests_is_a_package():
    folders = {path.parent for path in files(".py", under=("tests",))}
    assert [folder for folder in folders if not (ROOT / folder / "__init__.py").exists()] == []


# --- what no file may hold -----------------------------------------------------------------------


def test_no_file_names_a_package_registry_or_a_folder_of_one_machine():
    registries = r"(?:pypi|pythonhosted|npmjs|yarnpkg|unpkg|jsdelivr|deb\.debian|crates)\.(?:org|com|net|io)\b"
    machine = r"(?<![\w./])/(?:work|home|root|opt)/\w+"
    binary = (".woff2", ".png", ".jpg", ".ico", ".heic", ".pdf")
    text = [path for path in project_files() if not path.name.endswith(binary)]
    assert places(f"{registries}|{machine}", text) == []


def test_the_locks_carry_hashes_and_no_address():
    for lock in (Path("requirements.lock"), Path(".ci/tests.lock")):
        assert places(r"://|^-|file:| @ ", [lock]) == []
        lines = read(lock).replace("\\\n", " ").splitlines()
        pins = [line for line in lines if line and not line.lstrip().startswith("#")]
        assert pins
        assert [line[:60] for line in pins if not re.match(r"[a-z0-9._-]+==\S+ .*--hash=sha256:", line)] == []


def distribution(name: str) -> str:
    """The name of a package as registries compare it."""
    return re.sub(r"[-_.]+", "-", name).lower()


def asked_for(*, tests: bool = False) -> set[str]:
    """What pyproject.toml asks for by name: for the program, or for its tests."""
    project = tomllib.loads(read(Path("pyproject.toml")))["project"]
    lines = project["optional-dependencies"]["test"] if tests else project["dependencies"]
    return {distribution(name.group()) for line in lines if (name := re.match(r"[A-Za-z0-9._-]+", line))}


def test_the_locks_answer_everything_pyproject_asks_for():
    def pinned(lock: str) -> set[str]:
        return set(re.findall(r"^([a-z0-9._-]+)==", read(Path(lock)), re.MULTILINE))

    program_pins, test_pins = pinned("requirements.lock"), pinned(".ci/tests.lock")
    assert asked_for() - program_pins == set()
    assert asked_for(tests=True) - program_pins - test_pins == set()


@pytest.mark.parametrize(
    ("dependencies", "code", "says"),
    [
        ([{"name": "a", "version": "1", "vulns": []}], 0, "Audited: no weakness is known of 1 packages."),
        ([{"name": "a", "version": "1", "vulns": [{"id": "CVE-1"}]}], 1, "a 1: CVE-1"),
        ([{"name": "a", "version": "1", "vulns": []}, {"name": "b", "skip_reason": "?"}], 3, "NOT AUDITED.* 1 of 2 "),
        ([], 3, "NOT AUDITED"),
        (None, 3, "NOT AUDITED.*nobody answers"),
    ],
)
def test_an_audit_that_did_not_happen_never_looks_like_one(dependencies, code, says):
    """The shapes are those of pip-audit's JSON report, from its manual."""
    verdict = runpy.run_path(str(ROOT / ".ci" / "audit"))["verdict"]
    report = "" if dependencies is None else json.dumps({"dependencies": dependencies, "fixes": []})
    ended, said = verdict(report, "nobody answers")
    assert ended == code
    assert re.search(says, said, re.DOTALL)
    assert ("Audited:" in said) is (code == 0)


def test_every_package_that_is_imported_is_asked_for_by_name():
    distributions = packages_distributions()

    def unasked(paths: list[Path], asked: set[str]) -> set[str]:
        tops = {(module.partition(".")[0], path) for path in paths for module in imports(path)}
        return {
            f"{path}: {top}"
            for top, path in tops
            if top not in sys.stdlib_module_names | {"shop", "keyboards", "tests"}
            and not asked & {distribution(name) for name in distributions.get(top, [])}
        }

    assert unasked(program(), asked_for()) == set()
    assert unasked(files(".py", under=("tests",)), asked_for() | asked_for(tests=True)) == set()


# --- who may import what -------------------------------------------------------------------------

CORES_ALONE = """
import importlib, json, pkgutil, sys
before = set(sys.modules)
for core in ("shop.core", "keyboards.core"):
    package = importlib.import_module(core)
    for module in pkgutil.walk_packages(package.__path__, f"{core}."):
        importlib.import_module(module.name)
print(json.dumps(sorted(set(sys.modules) - before)))
"""


def test_the_cores_need_nothing_but_the_standard_library():
    run = subprocess.run([sys.executable, "-c", CORES_ALONE], cwd=ROOT, capture_output=True, text=True)
    assert run.returncode == 0, run.stderr
    loaded = set(ast.literal_eval(run.stdout))
    assert {"shop.core.money", "keyboards.core.keys"} <= loaded
    ours = {"shop", "keyboards"}
    foreign = {name for name in loaded if name.partition(".")[0] not in sys.stdlib_module_names | ours}
    assert foreign == set()
    above = {name for name in loaded - ours if in_package(name, *ours)}
    assert {name for name in above if not in_package(name, "shop.core", "keyboards.core")} == set()


def test_a_core_imports_nothing_late_either():
    late = {
        f"{path}: {module}"
        for path in program()
        if "core" in path.parts
        for module in imports(path)
        if module.partition(".")[0] not in sys.stdlib_module_names
        and not in_package(module, "shop.core", "keyboards.core")
        and module not in ("shop", "keyboards")
    }
    assert late == set()


def test_the_shop_never_imports_the_trade():
    shop = files(".py", under=("shop",))
    assert [str(path) for path in shop for module in imports(path) if in_package(module, "keyboards")] == []


def test_the_shop_names_the_trade_only_where_the_two_are_joined():
    named = {
        str(path)
        for path in files(".py", under=("shop",))
        for node in strings(path)
        if re.match(r"keyboards[./]\w", node.value)
    }
    assert named <= {"shop/settings.py", "shop/urls/__init__.py"}


def test_only_one_file_imports_weasyprint():
    found = {str(path) for path in program() for module in imports(path) if in_package(module, "weasyprint")}
    assert found == {"shop/documents/pdf.py"}


def test_chance_that_can_be_foretold_serves_samples_and_the_demonstration_alone():
    found = {path for path in program() for module in imports(path) if module == "random"}
    assert {str(path) for path in found if "demo" not in path.parts} == {"keyboards/core/spread.py"}


def test_only_one_file_asks_whether_htmx_made_the_request():
    asks = {
        str(path)
        for path in program()
        for node in ast.walk(parsed(path))
        if isinstance(node, ast.Attribute) and node.attr == "htmx"
    }
    assert asks == {"shop/htmx.py"}
    assert places(r"request\.htmx|HTTP_HX_|HX-Request", files(".html")) == []


# --- settings ------------------------------------------------------------------------------------


def variables_read() -> set[str]:
    """Names given to shop.env's readers anywhere in the program."""
    return {
        node.args[0].value
        for path in program()
        for node in ast.walk(parsed(path))
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Attribute)
        and isinstance(node.func.value, ast.Name)
        and node.func.value.id == "env"
        and node.args
        and isinstance(node.args[0], ast.Constant)
    }


def variables_of_make() -> set[str]:
    return set(re.findall(r"^([A-Z]+) \?=", read(Path("Makefile")), re.MULTILINE))


def test_the_readme_names_every_variable_and_no_other():
    described = set(re.findall(r"^\| *`([A-Z][A-Z0-9_]+)`", read(Path("README.md")), re.MULTILINE))
    assert "SECRET_KEY" in variables_read()
    assert variables_read() - described == set()
    assert described - variables_read() - variables_of_make() == set()


def test_the_environment_is_read_in_one_place():
    reads = places(r"\bos\.(?:environ|getenv)\b|^from os import .*\b(?:environ|getenv)\b", program())
    assert {place.split(":")[0] for place in reads} <= {"shop/env.py", "shop/wsgi.py"}


_CHECKS = """
import django
from django.conf import settings
from django.core.management import call_command

django.setup()
call_command("check", deploy=True)
print(settings.SESSION_COOKIE_NAME, settings.CSRF_COOKIE_NAME)
"""


def test_a_shop_on_the_net_passes_the_deployment_checks_of_django():
    environment = {
        **os.environ,
        "SITE_ADDRESS": "https://shop.example",
        "DEBUG": "0",
        "DJANGO_SETTINGS_MODULE": "shop.settings",
    }
    environment.pop("DJANGO_ALLOW_ASYNC_UNSAFE", None)  # set where a browser test ran before
    run = subprocess.run(
        [sys.executable, "-W", "error", "-c", _CHECKS],
        cwd=ROOT,
        env=environment,
        capture_output=True,
        text=True,
    )
    assert run.returncode == 0, run.stderr
    assert "__Host-sessionid __Host-csrftoken" in run.stdout
    assert re.findall(r"\([a-z_]+\.[WEC]\d+\)", run.stdout + run.stderr) == []


def test_every_command_that_make_gives_to_django_exists():
    called = set(re.findall(r"manage\.py ([a-z]+)", read(Path("Makefile"))))
    assert {"demo", "migrate"} <= called
    assert called - set(get_commands()) == set()


# --- the database --------------------------------------------------------------------------------


@pytest.mark.django_db
def test_no_migration_is_missing():
    call_command("makemigrations", check=True, dry_run=True, verbosity=0)


# --- templates -----------------------------------------------------------------------------------


def markup(path: Path) -> str:
    """A template without its comments, and with an x for each tag and value of Django's."""
    text = re.sub(r"{% comment\b.*?{% endcomment %}|{#.*?#}", "", read(path), flags=re.DOTALL)
    return re.sub(r"{%.*?%}|{{.*?}}", "x", text)


INLINE = re.compile(
    r"""<style\b"""
    r"""|<script\b(?![^>]*\bsrc=)"""
    r"""|<[^>]*\s(?:style|on[a-z]+|hx-on[\w:.-]*)\s*="""
    r"""|\b(?:href|src|action)\s*=\s*["']?\s*javascript:"""
    r"""|<(?:script|link|img|iframe|source)\b[^>]*\b(?:src|href)\s*=\s*["']?(?:https?:)?//""",
    re.IGNORECASE,
)


def test_the_search_for_inline_code_finds_it():
    guilty = [
        "<p style='x'>",
        '<a\n  class="b" style="c">',
        "<style>p{}</style>",
        "<script>go()</script>",
        '<button onclick="x">',
        '<div hx-on:click="x">',
        '<div hx-on::after-request="x">',
        "<a href='javascript:x'>",
        '<script src="//elsewhere.example/x.js">',
    ]
    innocent = [
        '<link rel="stylesheet" href="x">',
        '<script type="module" src="x"></script>',
        '<a href="https://example.org/">',
        '<input name="on" value="style=">',
        "<p>style = x</p>",
    ]
    assert [text for text in guilty if not INLINE.search(text)] == []
    assert [text for text in innocent if INLINE.search(text)] == []


def test_no_template_holds_inline_style_or_script():
    templates = files(".html")
    assert templates
    found = {str(path): INLINE.findall(markup(path)) for path in templates}
    assert {path: matches for path, matches in found.items() if matches} == {}


# What reads the same in every language: units, names of files and commands, the program's own name of its parts.
UNTRANSLATED = {"% RH", "% RH–", "·  % RH ·  °C", "min", "px", "· Django", "bills.csv", "payments.csv"}
UNTRANSLATED |= {"manage.py parcel --whole --to FOLDER", "manage.py restore FILE"}
NO_TEXT = (
    r"{#.*?#}|{% comment.*?endcomment %}",
    r"{% blocktranslate.*?endblocktranslate %}",
    r"{% block \w+_class %}.*?{% endblock %}",
    r"{%.*?%}|{{.*?}}",
    r"<(script|style)\b.*?</\1>",
)


def test_all_text_of_a_template_can_be_translated():
    found = set()
    for path in files(".html", under=("templates",)):
        text = path.read_text()
        for pattern in NO_TEXT:
            text = re.sub(pattern, "", text, flags=re.S)
        said = re.findall(r'\b(?:aria-label|title|alt|placeholder|data-label)="([^"]*)"', text)
        said += re.sub(r"<[^>]*>", "\n", re.sub(r"&\w+;", "", text)).split("\n")
        found |= {(path.name, words.strip()) for words in said if re.search("[A-Za-z]{2}", words)}
    assert {(name, words) for name, words in found if words not in UNTRANSLATED} == set()


def strings(path: Path) -> Iterator[ast.Constant]:
    """The text a Python file works with: every string that is not a statement by itself, as docstrings are."""
    for node in ast.walk(parsed(path)):
        if not isinstance(node, ast.Expr):
            for child in ast.iter_child_nodes(node):
                if isinstance(child, ast.Constant) and isinstance(child.value, str):
                    yield child


def test_no_python_writes_inline_style_or_script_into_html():
    found = [f"{path}:{node.lineno}" for path in program() for node in strings(path) if INLINE.search(node.value)]
    assert found == []


def test_no_script_says_a_sentence_of_its_own():
    """What a person reads comes with the page, in their language."""
    said = re.compile(r"""^(?!\s*(?://|import)).*?(["'`][A-Z][a-z’']+ [a-z’'][^"`]*["'`])""", re.MULTILINE)
    scripts = [path for path in (ROOT / "static" / "js").glob("*.js") if not path.name.endswith(".min.js")]
    assert {path.name: found for path in scripts if (found := said.findall(path.read_text(encoding="utf-8")))} == {}


def test_text_goes_unescaped_only_where_listed():
    python = places(r"\b(?:mark_safe|SafeString|SafeText|html_safe|__html__)\b", program())
    templates = places(r"\|\s*safe(?:seq)?\b|{%-?\s*autoescape\s+off", files(".html", ".txt"))
    assert {place.split(":")[0] for place in python + templates} == set(UNESCAPED)


def test_every_template_compiles():
    names = [str(Path(*path.parts[1:])) for path in files(".html", ".txt", under=("templates",))]
    assert names
    for name in names:
        get_template(name)
