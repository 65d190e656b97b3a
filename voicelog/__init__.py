"""voicelog: speak calls over quail with both hands full; heard offline, read back, kept in one ledger."""
