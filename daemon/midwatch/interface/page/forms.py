"""The forms of the page: signing in, and the orders by hand. They work without a script."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from midwatch.interface.page.accounts import Session, Told

LONGEST_WHO, LONGEST_WHY = 80, 500
_MULTIPART = ' enctype="multipart/form-data"'
_MOVES = (
    "Mount and roof start without warning: nobody may stand in their way, and no cable. Keep "
    "within reach of the switch that cuts their power."
)
_CLOSES = (
    "Parks the mount, then closes the roof: keep clear of both. See that the mount is parked "
    "before you trust it under a moving roof, and put caps on before the Sun is up."
)


def told_box(told: Told | None) -> str:
    """Return what the last order led to."""
    if told is None:
        return ""
    sign, kind = ("✓", "good") if told.good else ("✕", "bad")
    first, *rest = told.lines
    items = f"<ul>{''.join(f'<li>{escape(line)}</li>' for line in rest)}</ul>" if rest else ""
    return (
        f'<div class="answer {kind}" role="status" tabindex="-1" id="answer"><p>{sign} '
        f"{escape(first)}</p>{items}</div>"
    )


def sign_in_form(told: Told | None, account: str) -> str:
    """Return the form that asks for account and password."""
    return (
        f"<h1>Sign in</h1>{told_box(told)}"
        '<form method="post" action="/sign-in" class="card">'
        '<label for="account">Account</label>'
        f'<input id="account" name="account" value="{escape(account)}" required maxlength="80" '
        'autocomplete="username" autocapitalize="none" spellcheck="false">'
        '<label for="password">Password</label>'
        '<input id="password" name="password" type="password" required maxlength="200" '
        'autocomplete="current-password">'
        "<button>Sign in</button>"
        "<p>Accounts are those of the rig file (page); without any, the one that runs the night, "
        "with the password in page.password in its data folder.</p></form>"
    )


def order_forms(session: Session, targets: Sequence[str], orders: str) -> str:
    """Return the forms for orders by hand.

    Args:
        session: whose forms they are.
        targets: of the night, by name.
        orders: text of the night orders in force, or what was typed before.
    """
    return "\n".join(
        (
            "<h2>Orders by hand</h2>",
            _going_on(session, targets),
            _closing(session),
            _changing(session, orders),
        )
    )


def _opening(session: Session, action: str, more: str = "") -> str:
    return (
        f'<form method="post" action="{action}" class="card"{more}>'
        f'<input type="hidden" name="form" value="{escape(session.form_token)}">'
    )


def _who_and_why(session: Session, form: str) -> str:
    return (
        f'<div class="pair"><p><label for="who-{form}">Who</label>'
        f'<input id="who-{form}" name="who" value="{escape(session.account)}" required '
        f'maxlength="{LONGEST_WHO}" autocomplete="name"></p>'
        f'<p><label for="why-{form}">Why</label>'
        f'<input id="why-{form}" name="why" value="{escape(session.why)}" required '
        f'maxlength="{LONGEST_WHY}" autocomplete="off"></p></div>'
    )


def _button(action: str, name: str, about: str, more: str = "") -> str:
    return (
        f'<button formaction="/order/{action}"{more}><b>{name}</b> <small>{about}</small></button>'
    )


def _going_on(session: Session, targets: Sequence[str]) -> str:
    choices = "".join(
        f'<label class="choice"><input type="radio" name="target" value="{escape(name)}"> '
        f"{escape(name)}</label>"
        for name in targets
    )
    return (
        f"{_opening(session, '/order/pause')}{_who_and_why(session, 'go')}"
        '<div class="buttons">'
        f"{_button('pause', 'Pause', 'finish the frame in hand, then wait')}"
        f"{_button('resume', 'Resume', 'go on')}</div>"
        "<fieldset><legend>A target to leave for tonight</legend>"
        '<label class="choice"><input type="radio" name="target" value="" checked> '
        f"the present one</label>{choices}"
        f"{_button('skip', 'Skip', 'leave it and go on with the next')}</fieldset>"
        f'<p class="caution">{_MOVES}</p></form>'
    )


def _closing(session: Session) -> str:
    return (
        f"{_opening(session, '/order/close')}{_who_and_why(session, 'close')}"
        '<label class="choice"><input type="checkbox" name="sure" value="yes" required> '
        "End this night: it takes no more frames</label>"
        '<div class="buttons">'
        f"{_button('close', 'Close', 'stop, park, close, warm up')}</div>"
        f'<p class="caution">{_CLOSES}</p></form>'
    )


def _changing(session: Session, orders: str) -> str:
    # A browser drops the first line break of a text area; the text keeps its own.
    opened = "" if session.orders is None else " open"
    return (
        f"{_opening(session, '/order/change', _MULTIPART)}"
        f'<details id="change"{opened}><summary>Change the night orders</summary>'
        "<p>Targets, standing orders and calibration may change; site, rig and the hours of the "
        "night stay. Leave the names of the site and rig file as they are.</p>"
        f"{_who_and_why(session, 'change')}"
        '<p><label for="orders">Night orders, YAML</label>'
        '<textarea id="orders" name="orders" rows="18" spellcheck="false" autocapitalize="none" '
        f'autocomplete="off" wrap="off">\n{escape(orders)}</textarea></p>'
        '<p><label for="file">or a file, in place of this text</label>'
        '<input id="file" name="file" type="file" accept=".yaml,.yml"></p>'
        '<div class="buttons">'
        f"{_button('check', 'Check', 'say what is wrong, change nothing', ' formnovalidate')}"
        f"{_button('change', 'Hand in', 'go by these from now on')}</div>"
        f'<p class="caution">{_MOVES}</p></details></form>'
    )
