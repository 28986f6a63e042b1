// The page's own part: hands the picture's tiles to the viewer, and listens to keys, buttons and the address.
"use strict";
(() => {
  const said = JSON.parse(document.getElementById("information").textContent);
  const still = matchMedia("(prefers-reduced-motion: reduce)").matches;
  // The page knows where it lies, and so where the tiles are; info.json's own address may be another server's.
  const tiles = { ...said.image, id: new URL(said.tiles, document.baseURI).href };
  const viewer = OpenSeadragon({
    id: "picture",
    tileSources: tiles,
    drawer: "canvas",
    wrapHorizontal: said.fullTurn,
    showNavigationControl: false,
    showNavigator: true,
    navigatorPosition: "TOP_RIGHT",
    navigatorAutoFade: true,
    navigatorBackground: "transparent",
    maxZoomPixelRatio: 2,
    minZoomImageRatio: 1,
    visibilityRatio: 1,
    constrainDuringPan: !said.fullTurn,
    animationTime: still ? 0 : 0.5,
    gestureSettingsMouse: { clickToZoom: false, dblClickToZoom: true },
    imageLoaderLimit: 6,
  });
  window.viewer = viewer;
  const port = () => viewer.viewport;

  const whole = () => port().goHome(still);
  const zoom = (factor) => { port().zoomBy(factor); port().applyConstraints(); };
  const pan = (x, y) => {
    const seen = port().getBounds();
    port().panBy(new OpenSeadragon.Point(x * seen.width, y * seen.height));
    port().applyConstraints();
  };
  const screen = () => {
    if (document.fullscreenElement) document.exitFullscreen();
    else document.documentElement.requestFullscreen();
  };
  const keys = {
    "+": () => zoom(1.5), "=": () => zoom(1.5), "-": () => zoom(1 / 1.5), "_": () => zoom(1 / 1.5),
    "PageUp": () => zoom(2), "PageDown": () => zoom(0.5), "0": whole, "Home": whole,
    "ArrowLeft": () => pan(-0.15, 0), "ArrowRight": () => pan(0.15, 0),
    "ArrowUp": () => pan(0, -0.15), "ArrowDown": () => pan(0, 0.15),
  };
  // All keys are taken here, wherever the focus is; the viewer's own would turn and mirror the picture.
  viewer.addHandler("canvas-key", (event) => { event.preventDefaultAction = true; event.preventDefault = false; });
  document.addEventListener("keydown", (event) => {
    const act = keys[event.key];
    if (!act || event.ctrlKey || event.metaKey || event.altKey || !port()) return;
    event.preventDefault();
    act();
  });

  const buttons = { closer: () => zoom(1.5), farther: () => zoom(1 / 1.5), whole, screen };
  for (const [name, act] of Object.entries(buttons)) document.getElementById(name).addEventListener("click", act);
  document.getElementById("screen").hidden = !document.fullscreenEnabled;

  // The address holds what is seen, as a Media Fragment (W3C, 2012, 4.2.2): #xywh=x,y,width,height in pixels.
  const show = () => {
    const box = /^#xywh=(-?\d+),(-?\d+),(\d+),(\d+)$/.exec(location.hash);
    const item = viewer.world.getItemAt(0);
    if (!box || !item || +box[3] < 1 || +box[4] < 1) return;
    port().fitBounds(item.imageToViewportRectangle(...box.slice(1).map(Number)), true);
    port().applyConstraints(true);
  };
  viewer.addHandler("open", () => {
    show();
    document.documentElement.dataset.state = "open";
  });
  window.addEventListener("hashchange", show);
  viewer.addHandler("animation-finish", () => {
    const item = viewer.world.getItemAt(0);
    if (!item) return;
    const seen = item.viewportToImageRectangle(port().getBounds(true));
    const box = [seen.x, seen.y, seen.width, seen.height].map(Math.round);
    const isWhole = port().getZoom(true) <= port().getHomeZoom() * 1.001;
    history.replaceState(null, "", isWhole ? location.pathname + location.search : "#xywh=" + box.join(","));
  });
  viewer.addHandler("tile-load-failed", () => {
    document.getElementById("fault").textContent =
      "Part of the picture could not be loaded. Is the folder “" + said.tiles + "” beside this page?";
  });
  viewer.addHandler("fully-loaded-change", (event) => {
    document.documentElement.dataset.state = event.fullyLoaded ? "drawn" : "open";
  });
})();
