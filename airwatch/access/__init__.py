"""Who may do what: roles, actions, fleets, passwords, waiting times. Pure; knows no store and no web."""
