"""The screen's one script: the window, the links between pages, the units.

Worker processes that count photos read it too: they must neither run it nor load its pages.
"""


def run() -> None:
    """Show the page that the address asks for."""
    from io import BytesIO

    import page_limb
    import page_season
    import page_tree
    import streamlit as st
    from PIL import Image
    from screen_shell import ASSETS, icon_png
    from screen_words import units

    st.set_page_config(
        page_title="Fruit count",
        page_icon=Image.open(BytesIO(icon_png())),
        layout="wide",
        initial_sidebar_state="collapsed",
    )
    # nothing here comes from a user
    st.html(ASSETS / "pages.css")
    pages = {
        "limb": st.Page(page_limb.show, title="Limb", url_path="limb", default=True),
        "tree": st.Page(page_tree.show, title="Tree", url_path="tree"),
        "season": st.Page(page_season.show, title="Season", url_path="season"),
    }
    st.session_state["_pages"] = pages
    page = st.navigation(list(pages.values()), position="hidden")
    with st.container(horizontal=True, gap="small"):
        for one in pages.values():
            st.page_link(one, width="content")
        wanted = st.segmented_control(
            "Units", ["cm", "in"], default="in" if units() == "us" else "cm", width="content",
            label_visibility="collapsed"
        )  # fmt: skip
        if wanted is not None and (wanted == "in") != (units() == "us"):
            st.query_params["units"] = "us" if wanted == "in" else "metric"
            st.rerun()
    page.run()


if __name__ == "__main__":
    run()
