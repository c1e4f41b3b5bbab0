"""Where records go: an MQTT broker and a time-series store, each with its own durable cursor."""
