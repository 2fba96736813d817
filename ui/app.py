"""The screen's one script. Worker processes that count photos read it too: they must not run it."""

if __name__ == "__main__":
    from screen_pages import run

    run()
