"""The fault table and its detection, the gate that has the last word, the fans."""
