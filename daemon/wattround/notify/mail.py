"""A letter to a service that takes HTML: to a mail server as one mail of two parts, our page and our text.

The mail itself is apprise's (addresses, headers, encryption); but the text it would make of the page is not ours.
"""

from __future__ import annotations

import smtplib
from email import message_from_string
from email.message import Message as Mail
from typing import Any

UNSIGNED = "no"
"""Of a service's PGP mode: a mail that is signed or encrypted cannot be changed any more."""


def takes_html(service: Any) -> bool:
    """Whether HTML is what a service takes by itself: mail does, a push service is glad of a plain text."""
    from apprise import NotifyFormat  # noqa: PLC0415 - where messages are sent it is there already

    return bool(service.resolve_format() == NotifyFormat.HTML)


def send_letter(service: Any, title: str, text: str, html: str) -> bool:
    """Send a page with its text; whether the service took it."""
    from apprise import NotifyFormat  # noqa: PLC0415
    from apprise.plugins.email import NotifyEmail  # noqa: PLC0415

    if isinstance(service, NotifyEmail) and service.pgp_mode == UNSIGNED:
        return _mailed(service, title, text, html)
    return bool(service.notify(title=title, body=html, body_format=NotifyFormat.HTML))


def _mailed(service: Any, title: str, text: str, html: str) -> bool:
    from apprise import NotifyFormat  # noqa: PLC0415
    from apprise.exception import ApprisePluginException  # noqa: PLC0415
    from apprise.plugins.email.smtp import AppriseSMTPController  # noqa: PLC0415

    try:
        mails = service.prepare_emails(
            subject=title, body=html, notify_format=NotifyFormat.HTML, from_addr=service.from_addr, to=service.targets,
            cc=service.cc, bcc=service.bcc, reply_to=service.reply_to, smtp_host=service.smtp_host,
            headers={"X-Application": service.app_id, **service.headers}, names=service.names, tzinfo=service.tzinfo,
        )  # fmt: skip
        with AppriseSMTPController(
            host=service.smtp_host, port=service.port, secure_mode=service.secure_mode, user=service.user,
            password=service.password, verify_certificate=service.verify_certificate,
            socket_connect_timeout=service.socket_connect_timeout,
        ) as server:  # fmt: skip
            taken = [server.sendmail(service.from_addr[1], mail.to_addrs, _with(text, mail.body)) for mail in mails]
            return all(taken)
    except (OSError, smtplib.SMTPException, RuntimeError, ApprisePluginException):
        return False


def _with(text: str, mail: str) -> str:
    """The mail, with another text in its plain part."""
    whole: Mail[str, str] = message_from_string(mail)
    for part in whole.walk():
        if part.get_content_type() == "text/plain":
            del part["Content-Transfer-Encoding"]
            part.set_payload(text, "utf-8")
            break
    return whole.as_string()
