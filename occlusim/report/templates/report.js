"use strict";
(function () {
  const read = (id) => JSON.parse(document.getElementById(id).textContent);
  const scene = read("scene-data"), gaps = read("gaps-data");
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
    crowns[name] = { x: axis(0), y: axis(1), z: axis(2), faces: new Int32Array(bytes(packed.faces)), fields };
  }

  function split(faces, values) {
    const known = [[], [], []], unknown = [[], [], []];
    for (let f = 0; f < faces.length; f += 3) {
      const sure = values && !Number.isNaN(values[faces[f]] + values[faces[f + 1]] + values[faces[f + 2]]);
      const to = sure ? known : unknown;
      for (let c = 0; c < 3; c += 1) to[c].push(faces[f + c]);
    }
    return [known, unknown];
  }

  const plot = document.getElementById("crown-view");
  const choice = document.getElementById("choice"), which = document.getElementById("which");
  const antagonist = document.getElementById("antagonist"), spotsShown = document.getElementById("spots-shown");
  const at = scene.traces, hasSpots = scene.figure.data[at.spots].x !== undefined && scene.figure.data[at.spots].visible;

  function recolour() {
    const crown = crowns[which.value], values = crown.fields[choice.value];
    const scale = scene.scales[scene.choices.find((c) => c.field === choice.value).quantity];
    const [known, unknown] = split(crown.faces, values);
    const shown = values ? values.map((v) => (Number.isNaN(v) ? 0 : v)) : new Float32Array(crown.x.length);
    const place = { x: [crown.x], y: [crown.y], z: [crown.z] };
    const cut = ([i, j, k]) => ({ i: [i], j: [j], k: [k], visible: i.length > 0 });
    return Plotly.restyle(plot, { ...place, ...cut(known), intensity: [shown], customdata: [shown],
      colorscale: [scale.colorscale], cmin: scale.cmin, cmax: scale.cmax, colorbar: [scale.colorbar] }, [at.known])
      .then(() => Plotly.restyle(plot, { ...place, ...cut(unknown) }, [at.unknown]));
  }

  function look(eye, up) {
    const vector = (v) => ({ x: v[0], y: v[1], z: v[2] });
    const camera = { eye: vector(eye), up: vector(up), center: { x: 0, y: 0, z: 0 }, projection: { type: "orthographic" } };
    return Plotly.relayout(plot, { "scene.camera": camera });
  }

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
