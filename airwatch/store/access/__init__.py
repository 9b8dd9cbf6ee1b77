"""Accounts, sessions, tokens and the audit trail: SQL on a SQLite file of its own beside the store.

A DuckDB file belongs to one process; accounts must be managed from the command line while the pages are served.
"""
