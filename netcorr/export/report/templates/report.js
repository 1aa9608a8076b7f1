"use strict";
(() => {
  const svg = document.getElementById("survey-map");
  const view = document.getElementById("map-view");
  const scale = document.getElementById("map-scale");
  const frame = [scale, document.getElementById("map-north")];
  const box = svg.viewBox.baseVal;
  const pins = [...svg.querySelectorAll(".pin")];
  const unit = svg.closest(".map").dataset.units === "us" ? { m: 0.3048, name: "ft" } : { m: 1, name: "m" };
  const perMetre = Number(scale.dataset.width) / Number(scale.dataset.metres);
  const home = frame.map((part) => part.getAttribute("transform"));
  let k = 1, x = 0, y = 0;

  const fit = () => box.width / Math.max(svg.clientWidth, 1);
  const round = (about) => {
    const power = 10 ** Math.floor(Math.log10(about));
    return [5, 2, 1].map((step) => step * power).find((step) => step <= about * 1.000001);
  };
  const draw = () => {
    view.setAttribute("transform", `translate(${x.toFixed(2)} ${y.toFixed(2)}) scale(${k.toFixed(4)})`);
    const size = Math.min(Math.max(fit(), 0.8), 2.6);
    for (const pin of pins) {
      pin.setAttribute("transform",
        `translate(${pin.dataset.x} ${pin.dataset.y}) scale(${(size / k).toFixed(5)})`);
    }
    svg.classList.toggle("near", k * perMetre / size > 8);
    svg.classList.toggle("far", k * perMetre / size < 1.6);
    const length = round(0.2 * box.width / (k * perMetre * unit.m));
    const width = length * unit.m * perMetre * k / size;
    scale.querySelector("path").setAttribute("d", `M0 -6V0H${width.toFixed(2)}V-6`);
    scale.querySelector("text").textContent = `${Number(length.toPrecision(3))} ${unit.name}`;
    frame.forEach((part, i) => part.setAttribute("transform", `${home[i]} scale(${size.toFixed(3)})`));
  };
  const zoom = (factor, cx = box.width / 2, cy = box.height / 2) => {
    const next = Math.min(Math.max(k * factor, 0.15), 60);
    x = cx - (cx - x) * next / k;
    y = cy - (cy - y) * next / k;
    k = next;
    draw();
  };
  const move = (dx, dy) => { x += dx; y += dy; draw(); };
  const actions = {
    in: () => zoom(1.5), out: () => zoom(1 / 1.5),
    left: () => move(box.width / 8, 0), right: () => move(-box.width / 8, 0),
    up: () => move(0, box.height / 8), down: () => move(0, -box.height / 8),
    home: () => { k = 1; x = 0; y = 0; draw(); },
  };
  const keys = { "+": "in", "=": "in", "-": "out", "_": "out", "0": "home", ArrowLeft: "left",
    ArrowRight: "right", ArrowUp: "up", ArrowDown: "down" };
  for (const button of document.querySelectorAll(".map-tools button")) {
    button.addEventListener("click", () => actions[button.dataset.do]());
  }
  svg.addEventListener("keydown", (event) => {
    const action = keys[event.key];
    if (!action || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    actions[action]();
  });
  const place = (event) => {
    const at = svg.getBoundingClientRect();
    return [(event.clientX - at.left) * box.width / at.width, (event.clientY - at.top) * box.height / at.height];
  };
  svg.addEventListener("wheel", (event) => {
    if (document.activeElement !== svg && !event.ctrlKey) return;
    event.preventDefault();
    zoom(Math.exp(-Math.max(Math.min(event.deltaY, 200), -200) / 400), ...place(event));
  }, { passive: false });

  const fingers = new Map();
  svg.addEventListener("pointerdown", (event) => {
    fingers.set(event.pointerId, place(event));
    if (event.pointerType === "mouse") svg.setPointerCapture(event.pointerId);
  });
  svg.addEventListener("pointermove", (event) => {
    if (!fingers.has(event.pointerId)) return;
    const before = fingers.get(event.pointerId), now = place(event);
    const other = [...fingers].find(([id]) => id !== event.pointerId);
    if (other) {
      const [, far] = other;
      const was = Math.hypot(before[0] - far[0], before[1] - far[1]);
      const is = Math.hypot(now[0] - far[0], now[1] - far[1]);
      if (was > 0 && is > 0) zoom(is / was, far[0], far[1]);
    } else if (event.pointerType === "mouse") {
      move(now[0] - before[0], now[1] - before[1]);
    }
    fingers.set(event.pointerId, now);
  });
  for (const name of ["pointerup", "pointercancel", "pointerleave"]) {
    svg.addEventListener(name, (event) => fingers.delete(event.pointerId));
  }
  addEventListener("resize", draw);
  draw();

  // sounds: one at a time, both at once when asked, faster where the noise is too low to hear
  const sounds = [...document.querySelectorAll("audio")];
  let together = false;
  for (const sound of sounds) {
    sound.addEventListener("play", () => {
      if (!together) for (const other of sounds) if (other !== sound) other.pause();
    });
  }
  for (const part of document.querySelectorAll(".listen")) {
    const own = [...part.querySelectorAll("audio")];
    const both = part.querySelector(".both"), fast = part.querySelector(".fast");
    let sides = null;
    both?.addEventListener("click", () => {
      if (!sides && window.AudioContext) {
        const context = new AudioContext();
        sides = own.map((sound, i) => {
          const side = new StereoPannerNode(context, { pan: i ? 1 : -1 });
          context.createMediaElementSource(sound).connect(side).connect(context.destination);
          return side;
        });
        context.resume();
      }
      together = true;
      for (const sound of sounds) if (!own.includes(sound)) sound.pause();
      for (const sound of own) { sound.currentTime = 0; sound.play().catch(() => {}); }
      setTimeout(() => { together = false; }, 300);
    });
    fast?.addEventListener("click", () => {
      const on = fast.getAttribute("aria-pressed") !== "true";
      fast.setAttribute("aria-pressed", String(on));
      for (const sound of own) { sound.preservesPitch = false; sound.playbackRate = on ? 4 : 1; }
    });
  }
})();
