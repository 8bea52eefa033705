"use strict";
// A surface that panels draw on as on a canvas and that keeps SVG: what is in view, without pixels.
// It knows those parts of a canvas that the panels use. Texts are put in as text, never as markup.
class VectorSheet {
  constructor(width, height, scale) {
    this.svg = this.element("svg", {
      xmlns: "http://www.w3.org/2000/svg", viewBox: `0 0 ${width} ${height}`,
      width: width / scale, height: height / scale,
    });
    this.brush = document.createElement("canvas").getContext("2d");
    this.hatchings = new Map();
    this.dash = [];
    this.goTo(0);
    this.fillStyle = "#ffffff";
    this.fillRect(0, 0, width, height);
  }

  element(name, attributes) {
    const made = document.createElementNS("http://www.w3.org/2000/svg", name);
    for (const [key, value] of Object.entries(attributes)) {
      made.setAttribute(key, typeof value === "number" ? +value.toFixed(2) : value);
    }
    return made;
  }

  add(name, attributes) {
    const made = this.element(name, attributes);
    this.group.append(made);
    this.rectangles = null;
    return made;
  }

  // what follows stands `y` lower, within a box where one is given
  goTo(y, box) {
    this.group = this.svg;
    this.group = box
      ? this.add("svg", {
        x: box.left, y: y + box.top, width: box.width, height: box.height,
        viewBox: `${box.left} ${box.top} ${box.width} ${box.height}`,
      })
      : this.add("g", { transform: `translate(0 ${y})` });
  }

  beginPath() { this.path = ""; }
  moveTo(x, y) { this.path += `M${x.toFixed(2)} ${y.toFixed(2)}`; }
  lineTo(x, y) { this.path += `L${x.toFixed(2)} ${y.toFixed(2)}`; }
  setLineDash(dash) { this.dash = dash; }

  stroke() {
    if (!this.path) return;
    this.add("path", {
      d: this.path, fill: "none", stroke: this.strokeStyle, "stroke-width": this.lineWidth,
      "stroke-linejoin": "round", ...(this.dash.length ? { "stroke-dasharray": this.dash.join(" ") } : {}),
    });
  }

  strokeRect(x, y, width, height) {
    this.add("rect", { x, y, width, height, fill: "none", stroke: this.strokeStyle, "stroke-width": this.lineWidth });
  }

  // rectangles of one colour that follow each other are one path
  fillRect(x, y, width, height) {
    const rectangle = `M${+x.toFixed(2)} ${+y.toFixed(2)}h${+width.toFixed(2)}v${+height.toFixed(2)}h${-width.toFixed(2)}z`;
    if (this.rectangles?.getAttribute("fill") === this.fillStyle) {
      this.rectangles.setAttribute("d", this.rectangles.getAttribute("d") + rectangle);
    } else {
      this.rectangles = this.add("path", { d: rectangle, fill: this.fillStyle });
    }
  }

  measureText(text) {
    this.brush.font = this.font;
    return this.brush.measureText(text);
  }

  fillText(text, x, y) {
    const [, size, family] = /^([\d.]+)px (.*)$/.exec(this.font);
    this.add("text", {
      x, y, fill: this.fillStyle, "font-size": size, "font-family": family,
      "text-anchor": { left: "start", center: "middle", right: "end" }[this.textAlign],
      ...(this.textBaseline === "middle" ? { dy: "0.35em" } : {}),
    }).textContent = text;
  }

  // a grey picture as rectangles, one path for each shade, since the page may load no pictures
  drawShades({ data, width: columns, height: rows }, left, top, width, height) {
    const [wide, high] = [width / columns, height / rows];
    const shades = new Map();
    for (let row = 0; row < rows; row++) {
      for (let column = 0; column < columns; column++) {
        const x = left + column * wide;
        if (x + wide < 0 || x > this.svg.viewBox.baseVal.width) continue;
        const grey = data[4 * (row * columns + column)];
        const rectangle = `M${x.toFixed(1)} ${(top + row * high).toFixed(1)}h${wide.toFixed(2)}v${high.toFixed(2)}h${-wide.toFixed(2)}z`;
        shades.set(grey, (shades.get(grey) ?? "") + rectangle);
      }
    }
    for (const [grey, d] of shades) {
      this.add("path", { d, fill: `rgb(${grey},${grey},${grey})`, "shape-rendering": "crispEdges" });
    }
  }

  // a fill of strokes; a canvas takes a picture of them instead
  hatching(crossed, back, front, scale) {
    const key = `${crossed}${back}${front}`;
    if (!this.hatchings.has(key)) {
      const side = Math.round(7 * scale);
      const name = `hatching${this.hatchings.size}`;
      const tile = this.element("pattern", { id: name, width: side, height: side, patternUnits: "userSpaceOnUse" });
      if (back) tile.append(this.element("path", { d: `M0 0h${side}v${side}h${-side}z`, fill: back }));
      const up = [-side, 0, side].map((x) => `M${x} ${side}l${side} ${-side}`).join("");
      const down = crossed ? [-side, 0, side].map((x) => `M${x} 0l${side} ${side}`).join("") : "";
      tile.append(this.element("path", { d: up + down, stroke: front, "stroke-width": scale, fill: "none" }));
      this.svg.prepend(tile);
      this.hatchings.set(key, `url(#${name})`);
    }
    return this.hatchings.get(key);
  }
}
