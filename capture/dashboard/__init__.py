"""The technician's dashboard: a pure picture of a bench view, and the terminal and keyboard around it."""

from capture.dashboard.budget import budget_screen
from capture.dashboard.canvas import clean
from capture.dashboard.caution import CAUTIONS, caution_screen
from capture.dashboard.explain import budget_table, report_strokes
from capture.dashboard.keys import Keys
from capture.dashboard.render import render
from capture.dashboard.screen import Screen
from capture.dashboard.words import FLAG_WORDS, plain_line

__all__ = [
    "CAUTIONS",
    "FLAG_WORDS",
    "Keys",
    "Screen",
    "budget_screen",
    "budget_table",
    "caution_screen",
    "clean",
    "plain_line",
    "render",
    "report_strokes",
]
