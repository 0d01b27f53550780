"""Sheets become typed tables as the protocol declares them; nothing is guessed, every change is logged."""
