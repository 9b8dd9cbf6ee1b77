"""Raw CAN: candump text, the J1939 signals of `signals.toml`, and trouble codes (DM1). No socket, no database."""
