"""Other machines: entries are exchanged through places - a folder, a hub, a text file - as sets."""
