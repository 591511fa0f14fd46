"""Knows the screen's two sets of colours; every state also has a word and a shape, so colour is never alone."""

from __future__ import annotations

from textual.theme import Theme

# Blue against orange stays apart for all common kinds of colour blindness; neutral stands for undecided.
_DARK_INKS = {
    "strong": "#ffffff",
    "faint": "#a3abab",
    "rule": "#788184",
    "agrees": "#82c8ee",
    "differs": "#ffa261",
    "undecided": "#d6cfbe",
    "alarm": "#ffd84d",
    "on-alarm": "#15191c",
}
_LIGHT_INKS = {
    "strong": "#000000",
    "faint": "#555d60",
    "rule": "#7c8488",
    "agrees": "#00537f",
    "differs": "#983a00",
    "undecided": "#4b473d",
    "alarm": "#7a1f00",
    "on-alarm": "#ffffff",
}

DARK = Theme(
    name="bench-dark",
    primary="#82c8ee",
    foreground="#e9e4d8",
    background="#15191c",
    surface="#1d2326",
    panel="#1d2326",
    dark=True,
    variables=_DARK_INKS,
)
LIGHT = Theme(
    name="bench-light",
    primary="#00537f",
    foreground="#1d2326",
    background="#f7f4ec",
    surface="#ece7da",
    panel="#ece7da",
    dark=False,
    variables=_LIGHT_INKS,
)
