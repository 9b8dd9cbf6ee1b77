"""What goes in: topics, payloads and recordings, decoded purely. No socket, no database."""
