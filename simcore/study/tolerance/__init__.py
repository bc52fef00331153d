"""`drybench tolerance`: draws of what differs from drive to drive, their yield and what drives their failures."""
