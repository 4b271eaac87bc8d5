"""What people and other machines see and ask: service, store, reports, processes, command line."""
