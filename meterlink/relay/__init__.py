"""The relay: publishes the record over MQTT, and goes on where the office's own acknowledgement stands."""
