//! Replicates the journal to an InfluxDB-v2 write endpoint.
