"""MQTT 5: telemetry and events out, slow channels in; commands never."""
