"""An invented fleet with known faults, built on other simplifications than the project's own simulator.

Tanks here are isothermal lumps joined by one-way valves, and temperature is a first-order correction on top. What the
alerts say of this fleet is compared with its labels, so a shortcut in one simulator that suits the derivations by
chance does not decide alone.
"""
