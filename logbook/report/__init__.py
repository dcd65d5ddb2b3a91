"""What is shown: the content first, free of any format, then one small module per format."""
