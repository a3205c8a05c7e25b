"""Ten fingers and no pointer: how somebody finds, chooses, types and sends with the keys of a keyboard alone.

At every stop of the focus it must be seen where it stands, nothing may lie over it, and it may not stay.
"""

from __future__ import annotations

from typing import Any

from playwright.sync_api import expect

from tests.browser import Screen

STOPS = 120  # no page has more
TYPED = ("text", "password", "number", "date", "datetime-local", "textarea")
# What has the focus: its words, whether its ring shows and nothing lies over it, and what may be chosen there.
FOCUS = """() => {
  const control = document.activeElement, label = control.labels?.[0] ?? control;
  const box = control.getBoundingClientRect();
  const there = document.elementFromPoint(box.x + box.width / 2, box.y + Math.min(box.height / 2, 20));
  const ring = (one) => {
    const {outlineStyle, outlineWidth} = one ? getComputedStyle(one) : {outlineStyle: "none"};
    return outlineStyle !== "none" && parseFloat(outlineWidth) >= 2;
  };
  const words = (one) => (one.labels?.[0] ?? one).textContent.replace(/\\s+/g, " ").trim();
  const group = control.type === "radio" ? [...document.getElementsByName(control.name)]
    .filter((one) => one.form === control.form && !one.disabled) : [];
  const kind = control.tagName === "INPUT" ? control.type : control.tagName.toLowerCase();
  return {
    words: control.getAttribute("aria-label") ?? words(control), kind,
    stop: [...document.querySelectorAll("*")].indexOf(control),
    lost: control === document.body, checked: control.checked === true,
    seen: ring(control) || ring(label) || ring(control.closest(".scan")),
    free: control.contains(there) || label.contains(there),
    group: group.map(words), at: group.indexOf(control),
    ordered: !document.querySelector("[tabindex]:not([tabindex='0'], [tabindex='-1'])"),
  };
}"""


class Keys:
    """Somebody's keys at a screen. Words are the beginning of what a control is called, or part of a choice."""

    def __init__(self, screen: Screen) -> None:
        self.screen, self.page, self.board = screen, screen.page, screen.page.keyboard
        self.presses = self.board.press

    def focus(self) -> Any:
        return self.page.evaluate(FOCUS)

    def stops(self, key: str = "Tab") -> Any:
        """Press Tab, and look where the focus is now."""
        before = self.focus()
        self.board.press(key)
        now = self.focus()
        if not now["lost"]:
            moved = now["stop"] != before["stop"] or now["kind"].startswith("date")  # which has several parts
            assert moved, f"the focus is trapped in {now}"
            assert now["seen"] and now["free"] and now["ordered"], f"{self.page.url}: {now}"
        return now

    def to(self, words: str, *kinds: str) -> Any:
        """Move on until the control that is called so, and is one of these, has the focus."""
        for _ in range(STOPS):
            now = self.stops()
            if now["words"].startswith(words) and (not kinds or now["kind"] in kinds):
                return now
        raise AssertionError(f"Tab never comes to {words!r} on {self.page.url}")

    def enters(self, words: str, key: str = "Enter") -> None:
        """Go to a button or a link and press it; where it leads to another page, that page stands."""
        self.to(words, "a", "button")
        self.goes(key)

    def goes(self, key: str = "Enter") -> None:
        with self.page.expect_navigation():
            self.board.press(key)

    def opens(self, words: str) -> None:
        """Unfold what is folded away."""
        self.to(words, "summary")
        self.board.press("Enter")
        expect(self.page.locator("details[open]").first).to_be_visible()

    def types(self, words: str, text: str) -> None:
        self.to(words, *TYPED)
        self.board.type(text)

    def chooses(self, *words: str) -> None:
        """One radio button or tick after another: Tab comes to the group, arrows to the choice."""
        for choice in words:
            self._choose(choice)

    def _choose(self, words: str) -> None:
        for _ in range(STOPS):
            now = self.stops()
            if now["kind"] == "checkbox" and words in now["words"]:
                break
            wanted = [n for n, each in enumerate(now["group"]) if words in each]
            if now["kind"] == "radio" and wanted:
                for _ in range(wanted[0] - now["at"]):
                    self.board.press("ArrowDown")
                break
        else:
            raise AssertionError(f"Tab never comes to the choice {words!r} on {self.page.url}")
        if not (now := self.focus())["checked"]:
            self.board.press("Space")
        assert self.focus()["checked"], f"{words} was not chosen"

    def selects(self, words: str, option: str) -> None:
        """From a list: its first letters are typed."""
        self.to(words, "select")
        self.board.type(option)
        shown = self.page.evaluate("() => document.activeElement.selectedOptions[0].textContent.trim()")
        assert shown.startswith(option), f"{words}: {shown}"

    def scans(self, code: str) -> None:
        """A scanner is a keyboard too, wherever the focus is."""
        with self.page.expect_navigation():
            self.screen.scans(code)

    def signs(self, badge: str, pin: str, suffix: str = "") -> None:
        """The badge is scanned into its field, which hands on to the PIN."""
        self.to("Badge", "text")
        self.board.type(badge)
        self.board.press("Enter")
        expect(self.page.locator(f"#pin{suffix}")).to_be_focused()
        self.board.type(pin)
