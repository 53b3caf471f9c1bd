"""One customer order: its record, its backups, the gate, the blanking, the stages."""
