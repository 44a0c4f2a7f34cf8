"use strict";
(function () {
  const read = (id) => JSON.parse(document.getElementById(id).textContent);
  const scene = read("scene-data"), gaps = read("gaps-data"), words = read("words-data");
  const config = { displaylogo: false, responsive: true, displayModeBar: false, scrollZoom: true };

  function bytes(text) {
    const raw = atob(text), out = new Uint8Array(raw.length);
    for (let k = 0; k < raw.length; k += 1) out[k] = raw.charCodeAt(k);
    return out.buffer;
  }

  // A still picture stands in for each plot on paper.
  function keepPrintPicture(plot, width, height) {
    let picture = plot.nextElementSibling;
    if (!picture || picture.className !== "print-picture") {
      picture = document.createElement("img");
      picture.className = "print-picture";
      picture.alt = plot.getAttribute("aria-label");
      plot.after(picture);
    }
    let waiting = 0;
    const take = () => Plotly.toImage(plot, { format: "png", width, height, scale: 2 })
      .then((url) => { picture.src = url; });
    const later = () => { clearTimeout(waiting); waiting = setTimeout(take, 400); };
    plot.on("plotly_relayout", later);
    plot.on("plotly_restyle", later);
    later();
  }

  if (gaps) {
    const plot = document.getElementById("gap-view");
    Plotly.newPlot(plot, gaps.data, gaps.layout, { ...config, scrollZoom: false })
      .then(() => keepPrintPicture(plot, 760, 400));
  }
  if (!scene) return;

  const crowns = {};
  for (const [name, packed] of Object.entries(scene.crowns)) {
    const vertices = new Float32Array(bytes(packed.vertices)), n = vertices.length / 3;
    const axis = (k) => Float32Array.from({ length: n }, (_, v) => vertices[3 * v + k]);
    const fields = {};
    for (const [field, text] of Object.entries(packed.fields)) fields[field] = new Float32Array(bytes(text));
    crowns[name] = { x: axis(0), y: axis(1), z: axis(2), faces: packed.faces ? new Int32Array(bytes(packed.faces)) : null,
      shade: new Float32Array(bytes(packed.shade)), fields };
  }

  const plot = document.getElementById("crown-view");
  const choice = document.getElementById("choice"), which = document.getElementById("which");
  const antagonist = document.getElementById("antagonist"), spotsShown = document.getElementById("spots-shown");
  const at = scene.traces, hasSpots = scene.figure.data[at.spots].x !== undefined && scene.figure.data[at.spots].visible;

  const rgb = (hex) => [1, 3, 5].map((at) => parseInt(hex.slice(at, at + 2), 16));
  const maps = {};
  for (const [name, scale] of Object.entries(scene.scales)) maps[name] = scale.colorscale.map((stop) => rgb(stop[1]));
  const noData = rgb(scene.no_data);

  // What the crown's trace holds for the present choice.
  function crownTrace() {
    const crown = crowns[which.value], values = crown.fields[choice.value];
    const quantity = scene.choices.find((c) => c.field === choice.value).quantity;
    const map = maps[quantity], { cmin, cmax } = scene.scales[quantity], n = crown.x.length;
    const faces = crown.faces || crowns.given.faces;
    const corner = (k) => Int32Array.from({ length: faces.length / 3 }, (_, f) => faces[3 * f + k]);
    const vertexcolor = new Array(n), text = new Array(n);
    for (let v = 0; v < n; v += 1) {
      const value = values ? values[v] : NaN, unknown = Number.isNaN(value);
      const share = Math.min(1, Math.max(0, (value - cmin) / (cmax - cmin)));
      const colour = unknown ? noData : map[Math.round(share * (map.length - 1))];
      vertexcolor[v] = `rgb(${colour.map((c) => Math.round(c * crown.shade[v])).join(",")})`;
      text[v] = unknown ? words.unknown : `${value.toFixed(0).replace(/^-0$/, "0").replace("-", "\u2212")} µm`;
    }
    return { x: crown.x, y: crown.y, z: crown.z, i: corner(0), j: corner(1), k: corner(2), vertexcolor, text };
  }

  function recolour() {
    const scale = scene.scales[scene.choices.find((c) => c.field === choice.value).quantity];
    const marker = { "marker.colorscale": [scale.colorscale], "marker.cmin": scale.cmin,
      "marker.cmax": scale.cmax, "marker.colorbar": [scale.colorbar] };
    const lists = Object.fromEntries(Object.entries(crownTrace()).map(([key, value]) => [key, [value]]));
    return Plotly.restyle(plot, lists, [at.crown]).then(() => Plotly.restyle(plot, marker, [at.scale]));
  }

  function look(eye, up) {
    const vector = (v) => ({ x: v[0], y: v[1], z: v[2] });
    const camera = { eye: vector(eye), up: vector(up), center: { x: 0, y: 0, z: 0 }, projection: { type: "orthographic" } };
    return Plotly.relayout(plot, { "scene.camera": camera });
  }

  Object.assign(scene.figure.data[at.crown], crownTrace());
  Plotly.newPlot(plot, scene.figure.data, scene.figure.layout, config).then(() => {
    keepPrintPicture(plot, 760, 480);
    choice.addEventListener("change", recolour);
    which.addEventListener("change", recolour);
    antagonist.addEventListener("change", () => Plotly.restyle(plot, { visible: antagonist.checked }, [at.antagonist]));
    spotsShown.addEventListener("change", () => Plotly.restyle(plot, { visible: hasSpots && spotsShown.checked }, [at.spots]));
    document.getElementById("biting").addEventListener("click", () => look(scene.view.eye, scene.view.up));
    for (const button of document.querySelectorAll("button.spot")) {
      const eye = scene.spot_eyes[button.dataset.spot];
      button.addEventListener("click", () => {
        if (!eye) return;
        look(eye, scene.view.up);
        plot.scrollIntoView({ block: "center" });
      });
    }
    document.body.dataset.ready = "yes";
  });
}());
