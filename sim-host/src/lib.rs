//! Host simulator of bedkeeper: plant, recordings, evidence and the `bedkeeper` command.
