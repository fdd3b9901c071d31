"""The HTTP API under /v1: each route parses, calls one service and shapes the reply."""
