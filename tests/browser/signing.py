"""Signing in: as a person does, or by sending the form alone."""

import re

from playwright.sync_api import BrowserContext, Page

from service.platform.pages.guard import FORM_TOKEN
from tests import builders


def sign_in_by_page(page: Page, at: str, login: str) -> None:
    """Fill in the sign-in page and wait for the page that follows."""
    page.goto(f"{at}/sign-in")
    page.get_by_label("Login").fill(login)
    page.get_by_label("Password").fill(builders.PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(lambda address: "/sign-in" not in address)


def send_sign_in(context: BrowserContext, at: str, login: str) -> None:
    """Send the form of the sign-in page; no page is drawn."""
    page = context.request.get(f"{at}/sign-in").text()
    token = re.search(rf'name="{FORM_TOKEN}" value="([^"]+)"', page)
    assert token is not None
    typed = {FORM_TOKEN: token[1], "login": login, "password": builders.PASSWORD}
    answer = context.request.post(f"{at}/sign-in", form=typed, max_redirects=0)
    assert answer.status == 303, answer.text()
