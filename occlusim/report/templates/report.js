"use strict";
(function () {
  const data = JSON.parse(document.getElementById("data").textContent);
  const { scene, gaps, bites, scales, words } = data;
  // The drawing library's own choice is twice the screen's points each way, which only costs.
  const config = { displaylogo: false, responsive: true, displayModeBar: false, scrollZoom: true,
    plotGlPixelRatio: Math.max(1, devicePixelRatio) };
  const byId = (id) => document.getElementById(id);

  function bytes(text) {
    const raw = atob(text), out = new Uint8Array(raw.length);
    for (let k = 0; k < raw.length; k += 1) out[k] = raw.charCodeAt(k);
    return out.buffer;
  }
  const floats = (text) => new Float32Array(bytes(text));
  const column = (flat, k) => Float32Array.from({ length: flat.length / 3 }, (_, v) => flat[3 * v + k]);
  const corners = (flat) => {
    const faces = new Int32Array(bytes(flat));
    const corner = (k) => Int32Array.from({ length: faces.length / 3 }, (_, f) => faces[3 * f + k]);
    return { i: corner(0), j: corner(1), k: corner(2) };
  };
  const places = (flat) => ({ x: column(flat, 0), y: column(flat, 1), z: column(flat, 2) });

  // A still picture stands in for each plot on paper; it is taken once the page can be used.
  const pictures = [];
  function keepPrintPicture(plot, width, height) {
    const picture = document.createElement("img");
    picture.className = "print-picture";
    picture.alt = plot.getAttribute("aria-label");
    plot.after(picture);
    let waiting = 0;
    const take = () => Plotly.toImage(plot, { format: "png", width, height, scale: 1.5 })
      .then((url) => { picture.src = url; });
    const later = () => { clearTimeout(waiting); waiting = setTimeout(take, 400); };
    plot.on("plotly_relayout", later);
    plot.on("plotly_restyle", later);
    pictures.push(take);
  }

  const rgb = (hex) => [1, 3, 5].map((at) => parseInt(hex.slice(at, at + 2), 16));
  const maps = {};
  for (const [name, scale] of Object.entries(scales)) maps[name] = scale.colorscale.map((stop) => rgb(stop[1]));
  const noData = rgb(data.no_data);

  function written(value, scale) {
    if (Number.isNaN(value)) return words.unknown;
    const number = value.toFixed(scale.digits).replace(/^-0$/, "0").replace("-", "\u2212");
    return `${scale.clipped && value >= scale.cmax ? `${words.at_least} ` : ""}${number} ${scale.unit}`;
  }

  // Colours and hover of numbers (or of none) on shaded vertices.
  function painted(values, shade, quantity) {
    const map = maps[quantity], scale = scales[quantity], n = shade.length;
    const vertexcolor = new Array(n), text = new Array(n);
    for (let v = 0; v < n; v += 1) {
      const value = values ? values[v] * scale.perStored : NaN;
      const share = Math.min(1, Math.max(0, (value - scale.cmin) / (scale.cmax - scale.cmin)));
      const colour = Number.isNaN(value) ? noData : map[Math.round(share * (map.length - 1))];
      vertexcolor[v] = `rgb(${colour.map((c) => Math.round(c * shade[v])).join(",")})`;
      text[v] = written(value, scale);
    }
    return { vertexcolor, text };
  }

  function turned(vector, axis, angle) {  // Rodrigues' formula; the axis has length 1
    const [x, y, z] = vector, [a, b, c] = axis, cos = Math.cos(angle), sin = Math.sin(angle);
    const along = (a * x + b * y + c * z) * (1 - cos);
    return [x * cos + (b * z - c * y) * sin + a * along, y * cos + (c * x - a * z) * sin + b * along,
      z * cos + (a * y - b * x) * sin + c * along];
  }
  const unit = (v) => { const length = Math.hypot(...v); return v.map((one) => one / length); };
  const cross = (a, b) => [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];
  const list = (v) => [v.x, v.y, v.z], vector = (v) => ({ x: v[0], y: v[1], z: v[2] });

  function drawGaps() {
    if (!gaps) return null;
    const plot = byId("gap-view");
    return Plotly.newPlot(plot, gaps.data, gaps.layout, { ...config, scrollZoom: false })
      .then(() => keepPrintPicture(plot, 760, 400));
  }

  function drawBite(plot) {
    const bite = bites[Number(plot.dataset.bite)], scale = scales[bite.quantity];
    const flat = floats(bite.vertices);
    const mesh = { type: "mesh3d", ...places(flat), ...corners(bite.faces), hovertemplate: "%{text}<extra></extra>",
      lighting: { ambient: 1, diffuse: 0, specular: 0, fresnel: 0 },
      ...painted(floats(bite.values), floats(bite.shade), bite.quantity) };
    // Nothing but the number scale: a triangle without extent.
    const bar = { type: "mesh3d", ...places(Float32Array.from({ length: 9 }, (_, k) => flat[k % 3])), i: [0], j: [1],
      k: [2], intensity: [0, 0, 0], colorscale: scale.colorscale, cmin: scale.cmin, cmax: scale.cmax,
      colorbar: scale.colorbar, showscale: true, opacity: 0, hoverinfo: "skip" };
    const layout = { ...data.layout, scene: bite.scene };
    return Plotly.newPlot(plot, [mesh, bar], layout, { ...config, scrollZoom: false })
      .then(() => keepPrintPicture(plot, 520, 420));
  }

  function drawCrown() {
    if (!scene) return null;
    const plot = byId("crown-view"), choice = byId("choice"), which = byId("which");
    const antagonist = byId("antagonist"), spotsShown = byId("spots-shown"), said = byId("crown-said");
    const at = scene.traces;
    const crowns = {};
    for (const [name, crown] of Object.entries(scene.crowns)) {
      const fields = {};
      for (const [field, text] of Object.entries(crown.fields)) fields[field] = floats(text);
      crowns[name] = { ...places(floats(crown.vertices)), faces: corners(crown.faces || scene.crowns.given.faces),
        shade: floats(crown.shade), fields };
    }
    const chosen = () => scene.choices.find((one) => one.field === choice.value);

    function crownTrace() {
      const crown = crowns[which.value], { x, y, z } = crown;
      return { x, y, z, ...crown.faces, ...painted(crown.fields[choice.value], crown.shade, chosen().quantity) };
    }

    function recolour() {
      const [, adjusted] = which.options;
      adjusted.disabled = !(choice.value in crowns.adjusted.fields);
      if (adjusted.disabled) which.value = "given";
      const scale = scales[chosen().quantity];
      const bar = { colorscale: [scale.colorscale], cmin: scale.cmin, cmax: scale.cmax, colorbar: [scale.colorbar] };
      const lists = Object.fromEntries(Object.entries(crownTrace()).map(([key, value]) => [key, [value]]));
      return Plotly.restyle(plot, lists, [at.crown]).then(() => Plotly.restyle(plot, bar, [at.scale]));
    }

    const drawn = floats(scene.antagonist.vertices), antagonistFaces = corners(scene.antagonist.faces);
    function antagonistTrace() {
      const pose = scene.poses.find((one) => one.name === antagonist.value);
      if (!pose) return { visible: false };
      const m = pose.matrix, moved = new Float32Array(drawn.length);
      for (let v = 0; v < drawn.length; v += 3) {
        for (let r = 0; r < 3; r += 1) {
          moved[v + r] = m[4 * r] * drawn[v] + m[4 * r + 1] * drawn[v + 1] + m[4 * r + 2] * drawn[v + 2] + m[4 * r + 3];
        }
      }
      return { visible: true, ...places(moved), ...antagonistFaces };
    }
    const layAntagonist = () => Plotly.restyle(plot,
      Object.fromEntries(Object.entries(antagonistTrace()).map(([key, value]) => [key, [value]])), [at.antagonist]);

    // The opposing teeth follow the movement whose numbers are shown, where they are there at all.
    function follow() {
      const movement = chosen().movement, name = movement === "centric" ? "light" : movement;
      const there = [...antagonist.options].some((option) => option.value === name);
      if (!antagonist.value || !name || !there || antagonist.value === name) return null;
      antagonist.value = name;
      return layAntagonist();
    }

    const camera = () => plot.layout.scene.camera;
    function look(eye, up) {
      return Plotly.relayout(plot, { "scene.camera": { ...camera(), eye: vector(eye), up: vector(up),
        center: { x: 0, y: 0, z: 0 } } });
    }
    // Numbers are laid over the crown, so that those of its far side are left out.
    function numberSpots() {
      const eye = list(camera().eye), changes = {};
      plot.layout.scene.annotations.forEach((one, k) => {
        if (one.name === undefined) return;
        const spot = scene.spots[one.name];
        const seen = spotsShown.checked && (!spot || spot.eye.reduce((sum, c, axis) => sum + c * eye[axis], 0) > 0);
        if (seen !== (one.visible !== false)) changes[`scene.annotations[${k}].visible`] = seen;
      });
      if (Object.keys(changes).length) Plotly.relayout(plot, changes);
    }
    function steer(event) {
      const eye = list(camera().eye), up = unit(list(camera().up)), step = Math.PI / 18;
      const right = unit(cross(up, eye)), ratio = plot.layout.scene.aspectratio;
      const zoom = (share) => Plotly.relayout(plot, { "scene.aspectratio":
        { x: ratio.x * share, y: ratio.y * share, z: ratio.z * share } });
      const steps = {
        ArrowLeft: () => look(turned(eye, up, -step), up),
        ArrowRight: () => look(turned(eye, up, step), up),
        ArrowUp: () => look(turned(eye, right, -step), turned(up, right, -step)),
        ArrowDown: () => look(turned(eye, right, step), turned(up, right, step)),
        "+": () => zoom(1.1),
        "-": () => zoom(1 / 1.1),
      };
      if (event.target !== plot || !steps[event.key]) return;
      event.preventDefault();
      steps[event.key]();
    }

    function toSpot(row) {
      const spot = scene.spots[row.dataset.spot];
      if (!spot) return;
      for (const other of document.querySelectorAll("tr[aria-current]")) other.removeAttribute("aria-current");
      row.setAttribute("aria-current", "true");
      said.textContent = spot.words;
      look(spot.eye, scene.view.up);
      plot.scrollIntoView({ block: "center" });
    }

    Object.assign(scene.figure.data[at.crown], crownTrace());
    Object.assign(scene.figure.data[at.antagonist], antagonistTrace());
    return Plotly.newPlot(plot, scene.figure.data, scene.figure.layout, config).then(() => {
      choice.addEventListener("change", () => recolour().then(follow));
      which.addEventListener("change", recolour);
      antagonist.addEventListener("change", layAntagonist);
      spotsShown.addEventListener("change", numberSpots);
      plot.on("plotly_relayout", numberSpots);
      byId("biting").addEventListener("click", () => look(scene.view.eye, scene.view.up));
      plot.addEventListener("keydown", steer);
      for (const row of document.querySelectorAll("tr.to-spot")) row.addEventListener("click", () => toSpot(row));
      keepPrintPicture(plot, 760, 480);
      document.body.dataset.ready = "yes";
    });
  }

  // What the reader sees first is drawn first; the page answers in between.
  // A page in the background is shown no frames, so that a moment must do.
  const breath = () => new Promise((go) => {
    setTimeout(go, 500);
    requestAnimationFrame(() => requestAnimationFrame(() => setTimeout(go, 0)));
  });
  const inTurn = (jobs) => jobs.reduce((before, job) => before.then(job).then(breath), Promise.resolve());
  const biteMaps = [...document.querySelectorAll("[data-bite]")].map((plot) => () => drawBite(plot));
  inTurn([drawCrown, drawGaps, ...biteMaps])
    .then(() => inTurn(pictures))
    .then(() => { document.body.dataset.drawn = "all"; });

  // On paper a record holds its settings and versions; they are folded again after.
  const forPaper = [...document.querySelectorAll("details.printed")];
  let opened = [];
  addEventListener("beforeprint", () => {
    opened = forPaper.filter((one) => !one.open);
    for (const one of opened) one.open = true;
  });
  addEventListener("afterprint", () => { for (const one of opened) one.open = false; });
}());
