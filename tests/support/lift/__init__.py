"""The lift's firmware in an emulator, the host's side of its protocol, and campaigns over both."""
