"""Files, source profiles, row rules, the ledger, the registry, and the one store they go into."""
