"""Fits of the valve laws to published figures; entry point: scripts/fit_valves.py."""
