"""The sample rules for a shop's mosquitto, made from the topics; `python -m tests.support.make_acl` prints them.

They are checked in as systemd/mosquitto.acl. A rule that lacks a topic stops a bench at the first message on it, so
they are never written by hand.
"""

from __future__ import annotations

from typing import Final

from capture.mqtt.topics import ALERTS, ROOT, topic_filters
from capture.plumbing.outward import write

__all__ = ["mosquitto_acl"]

_BENCHES: Final = """\
# Who may do what on the shop's broker: an access control list for mosquitto, used by mosquitto.conf beside this file.
# Made from the topics that benches publish to (tests/support/make_acl.py): after an update, compare yours with it.
#
# A bench logs in with its name as its user name, written as in its topics: plain for bay-1; % / + # and control
# characters as %25 %2F %2B %23 ..., so that "bay 7/8" is the user "bay 7%2F8". It can publish its own topics alone, and
# can read nothing. (A name with a colon cannot stand in a password file; give such a bench another.)
# What a bench may not publish, mosquitto refuses, and may end the connection (mosquitto.conf); the bench says so.

"""
_READERS: Final = """
# A board, and a program that collects what all benches say, can read everything and publish nothing. The patterns
# above hold for every user, so each of these denies itself what a bench of that name could write: give no bench such
# a name. A board tells needs beside the benches' topics, if its settings say so ([alerts]). Every program that runs at
# the same time needs a user of its own (see mosquitto.conf): copy a block for each.
"""


def mosquitto_acl() -> str:
    """Return the rules as text (mosquitto.conf(5), acl_file)."""
    patterns = "".join(f"pattern write {one}\n" for one in topic_filters("%u"))
    users = "".join(
        f"\nuser {user}\ntopic read {ROOT}/#\ntopic deny {ROOT}/{user}/#\n{more}"
        for user, more in (("board", f"topic write {ALERTS}/+\n"), ("collector", ""))
    )
    return _BENCHES + patterns + _READERS + users


if __name__ == "__main__":
    write(mosquitto_acl())
