"""The drop folder, the message, and what was already sent."""
