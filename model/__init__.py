"""What shapes a line: hearing phrases and situations, the rules, the network, lanes to events, metrics."""
