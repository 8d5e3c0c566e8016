"""The watch, axe and the width check see what they are there to see."""

import pytest

PAGE = """<!doctype html>
<html lang=en>
<head><title>A page</title>{head}</head>
<body><main><h1>Keys</h1>{body}</main></body>
</html>"""
POLICY = "default-src 'none'; script-src 'self'; style-src 'self'"


@pytest.fixture
def show(page):
    """Shows a page made here, under the policy the program sends."""

    def render(*, body: str = "", head: str = "") -> None:
        page.route(
            "**/made-here/",
            lambda route: route.fulfill(
                body=PAGE.format(head=head, body=body),
                content_type="text/html; charset=utf-8",
                headers={"Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'"},
            ),
        )
        page.goto("/made-here/")

    return render


def test_a_clean_page_passes_all_three(show, page, watch, axe, fits):
    show(body="<p>Eighty-eight.</p>")
    axe(page)
    fits(page)
    assert watch.problems == []


@pytest.mark.parametrize(
    "body",
    [
        "<p style='color: red'>C4</p>",
        "<script>document.title = 'other'</script>",
        "<button onclick='go()'>Go</button>",
        "<img alt='' src='/nothing/here.png'>",
    ],
)
def test_a_breach_of_the_policy_is_a_problem(show, page, watch, body):
    show(body=body)
    if page.query_selector("button"):
        page.click("button")
    assert any("Content Security Policy" in line for line in watch.problems)
    watch.expect("Content Security Policy")


def test_an_exception_and_a_missing_page_are_problems(show, page, watch):
    show()
    page.evaluate("() => { setTimeout(() => { throw new Error('no such key') }, 0) }")
    page.goto("/nothing/here/")
    page.wait_for_function("document.readyState === 'complete'")
    assert any("no such key" in line for line in watch.problems)
    assert any("404" in line for line in watch.problems)
    watch.expect("no such key")
    watch.expect("404")
    assert watch.problems == []


def test_axe_names_what_is_not_accessible_under_a_strict_policy(show, page, axe):
    show(body="<input type=text><a href='/a'>1</a><a href='/b'>2</a>")
    with pytest.raises(pytest.fail.Exception, match="label"):
        axe(page)


def test_axe_measures_the_targets(show, page, axe):
    show(body="<p><input type=checkbox aria-label=a><input type=checkbox aria-label=b></p>")
    with pytest.raises(pytest.fail.Exception, match="target-size"):
        axe(page)


def test_a_page_that_is_too_wide_does_not_fit(show, page, fits):
    show(body=f"<p>{'C' * 2000}</p>")
    with pytest.raises(AssertionError, match="px wide"):
        fits(page)
