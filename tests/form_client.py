"""A client which sends forms as a browser does: with the token of its own cookie."""

import re
from typing import Any

from fastapi.testclient import TestClient
from httpx import Response

from service.platform.pages.guard import FORM_TOKEN, session_cookie, token_of, visit_cookie

SELECT = re.compile(r"<select\b([^>]*\srequired\b[^>]*)>(.*?)</select>", re.DOTALL)
OPTION = re.compile(r"<option\b([^>]*)>([^<]*)")


def not_choosable(html: str) -> list[str]:
    """Required selects whose chosen option is an answer and empty: a browser sends no such form.

    Empty may be nothing but the call to choose. Every page a test asks for is looked through.
    """
    found = []
    for attributes, inner in SELECT.findall(html):
        options = OPTION.findall(inner)
        chosen = next((each for each in options if " selected" in each[0]), (*options, None)[0])
        if chosen and 'value=""' in chosen[0] and chosen[1].strip() not in {"", "choose"}:
            found.append(f"{attributes.strip()}: {chosen[1].strip()}")
    return found


class FormClient(TestClient):
    """Adds the form's token to everything posted as a form, visiting the sign-in page first."""

    def form_token(self) -> str:
        """Give the token this browser's forms carry."""
        settings = self.app.state.settings  # type: ignore[attr-defined]
        names = (session_cookie(settings), visit_cookie(settings))
        if not any(name in self.cookies for name in names):
            self.get("/sign-in", headers={"accept": "text/html"})
        secrets = [self.cookies[name] for name in names if name in self.cookies]
        return token_of(secrets[0]) if secrets else ""

    def keep_cookie(self, name: str, value: str) -> None:
        """Keep a cookie as if the server had set it, so that the server can take it back."""
        self.cookies.set(name, value, domain=f"{self.base_url.host}.local", path="/")

    def post(self, url: Any, *, data: Any = None, **more: Any) -> Response:
        """Post a form; JSON, bytes and the API are sent as they are."""
        is_form = "json" not in more and "content" not in more and not str(url).startswith("/api/")
        if is_form and FORM_TOKEN not in (data or {}):
            data = {FORM_TOKEN: self.form_token(), **(data or {})}
        return super().post(url, data=data, **more)

    def send(self, *asked: Any, **more: Any) -> Response:
        """Send a request; a page with a form that no browser would send is a mistake."""
        answer = super().send(*asked, **more)
        if answer.headers.get("content-type", "").startswith("text/html"):
            assert not_choosable(answer.text) == []
        return answer
