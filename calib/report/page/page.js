// The page's own script: charts are drawn when they come into view, tables are put in order, the
// 3D view obeys buttons and keys, and a print gets charts of a sheet's width.
"use strict";

const PHONE_PX = 720, PRINT_PX = 690, PRINT_HALF_PX = 335;
const CONFIG = { responsive: true, displaylogo: false, displayModeBar: false };
const IN_SPACE = { ...CONFIG, scrollZoom: true };
const all = (selector, within = document) => [...within.querySelectorAll(selector)];
const read = (id) => JSON.parse(document.getElementById(id).textContent);
const isSpace = (plot) => plot.closest(".space") !== null;

// Charts ------------------------------------------------------------------------------------

// A bar of colours beside a chart takes a third of a phone's width; it goes below instead.
function forPhone(figure) {
  const bars = figure.data.flatMap((t) => [t.colorbar, t.marker?.colorbar, t.line?.colorbar]);
  for (const bar of bars.filter(Boolean)) {
    Object.assign(bar, { orientation: "h", y: -0.24, yanchor: "top", x: 0.5, len: 0.9 });
    bar.title = { ...bar.title, side: "bottom" };
  }
  if (bars.some(Boolean)) {
    figure.layout.margin = { ...figure.layout.margin, b: figure.layout.scene ? 74 : 110, r: 8 };
    if (figure.layout.scene) bars.filter(Boolean).forEach((bar) => { bar.y = -0.02; });
  }
  if (figure.layout.yaxis?.scaleanchor) figure.layout.height = Math.round(0.85 * figure.layout.height);
  const eye = figure.layout.scene?.camera?.eye; // a narrow view needs to stand farther off
  if (eye) figure.layout.scene.camera.eye = { x: 1.5 * eye.x, y: 1.5 * eye.y, z: 1.5 * eye.z };
  figure.layout.margin.l = Math.min(figure.layout.margin.l ?? 44, 44);
  return figure;
}

function draw(plot, source = `${plot.id}-data`) {
  let figure = read(source);
  figure.layout.template = LOOK;
  figure.layout.autosize = true;
  if (window.innerWidth < PHONE_PX) {
    figure = forPhone(figure);
    if (isSpace(plot)) figure.layout.height = Math.round(Math.min(460, window.innerHeight * 0.6));
  }
  plot.style.height = `${figure.layout.height}px`;
  const first = !plot.classList.contains("drawn");
  plot.classList.add("drawn");
  const config = isSpace(plot) ? IN_SPACE : CONFIG;
  try {
    const done = first
      ? Plotly.newPlot(plot, figure.data, figure.layout, config)
      : Plotly.react(plot, figure.data, figure.layout, config);
    if (isSpace(plot)) done.then(() => inSpace(plot, first));
    return done;
  } catch (error) {
    plot.innerHTML = "<p class='failed'>This chart could not be drawn here.</p>";
    console.warn(error);
    return Promise.resolve();
  }
}

const watcher = new IntersectionObserver((entries) => {
  for (const entry of entries.filter((e) => e.isIntersecting)) {
    watcher.unobserve(entry.target);
    draw(entry.target);
  }
}, { rootMargin: "150px" });

// The rig in space --------------------------------------------------------------------------

const VIEWS = {
  start: { x: 0.7, y: -1.3, z: 0.95 }, above: { x: 0, y: -0.01, z: 1.9 },
  side: { x: 0, y: -1.8, z: 0.15 },
};
const TURN = Math.PI / 12;

function turned(eye, aside, up, nearer) {
  const far = Math.hypot(eye.x, eye.y, eye.z) * nearer;
  const round = Math.atan2(eye.y, eye.x) + aside;
  const high = Math.min(Math.max(Math.asin(eye.z / Math.hypot(eye.x, eye.y, eye.z)) + up, -1.5),
    1.565);
  const flat = far * Math.cos(high);
  return { x: flat * Math.cos(round), y: flat * Math.sin(round), z: far * Math.sin(high) };
}

const MOVES = {
  left: [-TURN, 0, 1], right: [TURN, 0, 1], up: [0, TURN, 1], down: [0, -TURN, 1],
  nearer: [0, 0, 0.8], farther: [0, 0, 1.25],
};
const KEYS = {
  ArrowLeft: "left", ArrowRight: "right", ArrowUp: "up", ArrowDown: "down", "+": "nearer",
  "=": "nearer", "-": "farther",
};

function look(plot, way) {
  if (!plot.classList.contains("drawn")) return;
  const now = plot._fullLayout.scene._scene?.getCamera().eye ?? VIEWS.start;
  const eye = VIEWS[way] ?? turned(now, ...MOVES[way]);
  Plotly.relayout(plot, { "scene.camera.eye": eye, "scene.camera.up": { x: 0, y: 0, z: 1 } });
}

// Print takes no picture of a 3D view by itself: one is kept beside it.
function keepStill(plot) {
  clearTimeout(plot.stillTimer);
  plot.stillTimer = setTimeout(() => {
    Plotly.toImage(plot, { format: "png", width: 1000, height: 640, scale: 1.4 }).then((url) => {
      let still = plot.querySelector(".still");
      if (!still) {
        still = plot.appendChild(document.createElement("img"));
        still.className = "still";
        still.alt = plot.dataset.title;
        plot.classList.add("has-still");
      }
      still.src = url;
    });
  }, 600);
}

function inSpace(plot, first) {
  keepStill(plot);
  if (!first) return;
  plot.on("plotly_relayout", () => keepStill(plot));
  plot.tabIndex = 0;
  plot.setAttribute("role", "application");
  plot.setAttribute("aria-label", `${plot.dataset.title}: arrow keys turn it, + and - zoom`);
  plot.addEventListener("keydown", (event) => {
    const way = KEYS[event.key];
    if (!way) return;
    event.preventDefault();
    look(plot, way);
  });
  // The wheel scrolls the page until somebody has taken hold of the view.
  plot.addEventListener("wheel", (event) => {
    if (!plot.contains(document.activeElement)) event.stopPropagation();
  }, { capture: true });
  plot.addEventListener("pointerdown", () => plot.focus({ preventScroll: true }));
}

// Tables ------------------------------------------------------------------------------------

function sortBy(heading) {
  const table = heading.closest("table"), column = heading.cellIndex;
  const rises = heading.getAttribute("aria-sort") === "ascending"
    ? false : heading.getAttribute("aria-sort") === "descending" || !heading.matches(".number");
  for (const other of all("th[aria-sort]", table)) other.setAttribute("aria-sort", "none");
  heading.setAttribute("aria-sort", rises ? "ascending" : "descending");
  const key = (row) => JSON.parse(row.dataset.keys)[column];
  const order = (a, b) => (typeof a === "string"
    ? a.localeCompare(b, undefined, { numeric: true }) : a - b);
  const rows = all("tbody tr", table).map((row) => [key(row), row]);
  rows.sort(([a], [b]) => (a === null) - (b === null) // what is not known stays at the end
    || (a === null ? 0 : (rises ? 1 : -1) * order(a, b)));
  table.tBodies[0].append(...rows.map(([, row]) => row));
}

// The page ----------------------------------------------------------------------------------

function openTarget() {
  const target = document.getElementById(location.hash.slice(1));
  if (target?.matches("details")) {
    target.open = true;
    target.scrollIntoView();
  }
}

all(".plot").forEach((plot) => watcher.observe(plot));
all("th[aria-sort]").forEach((heading) => {
  heading.querySelector("button").addEventListener("click", () => sortBy(heading));
});
all("[data-look]").forEach((button) => button.addEventListener("click", () => {
  look(document.getElementById(button.dataset.of), button.dataset.look);
}));
all("input[data-source]").forEach((choice) => choice.addEventListener("change", () => {
  draw(document.getElementById(choice.dataset.of), choice.dataset.source);
}));
all("[data-open]").forEach((button) => button.addEventListener("click", () => {
  for (const one of all("details.camera")) one.open = button.dataset.open === "yes";
}));
window.addEventListener("hashchange", openTarget);
openTarget();

// A sheet has its own width, and what is open is printed though nobody has scrolled there.
window.addEventListener("beforeprint", () => {
  for (const plot of all(".plot")) {
    if (plot.closest("details:not([open])")) continue;
    if (!plot.classList.contains("drawn")) draw(plot);
    const width = plot.closest(".charts.halves") ? PRINT_HALF_PX : PRINT_PX;
    if (!isSpace(plot)) Plotly.relayout(plot, { width });
  }
});
window.addEventListener("afterprint", () => {
  for (const plot of all(".plot.drawn")) {
    if (!isSpace(plot)) Plotly.relayout(plot, { width: null, autosize: true });
  }
});
