"""Who works here: accounts, roles, tokens, signing in."""
