"""From readings to alerts, and from alerts to the order in which units need the shop."""
