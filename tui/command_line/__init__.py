"""The `weighloop` command: one file a verb or family of verbs."""


def main() -> None:
    """Run the command line."""
    print("weighloop")
