"""What the fields of a page showed, sent along with it: what differs from that was typed, whatever is kept by now."""

import json
from collections.abc import Mapping
from typing import Any


def shown_text(texts: Mapping[str, Any]) -> str:
    """For a hidden field."""
    return json.dumps(texts, ensure_ascii=False)


def shown_texts(sent: str) -> dict[str, str] | None:
    """What a hidden field holds; None where it was not sent, or is no such thing."""
    try:
        texts = json.loads(sent)
    except (ValueError, RecursionError):
        return None
    return {name: str(text) for name, text in texts.items()} if isinstance(texts, dict) else None
