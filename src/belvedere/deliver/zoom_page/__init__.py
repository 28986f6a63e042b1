"""The page a picture is looked at in with a browser: HTML, style and script, and the viewer inside it."""
