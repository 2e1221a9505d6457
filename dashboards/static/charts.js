"use strict";
// Draws each figure that names a spec. Expressions are walked, not compiled, so no page needs `eval`.
(() => {
  const root = document.documentElement;
  const asked = window.matchMedia("(prefers-color-scheme: dark)");
  const look = () => ((root.dataset.theme ? root.dataset.theme === "dark" : asked.matches) ? "dark" : "light");
  const figures = [...document.querySelectorAll("figure[data-spec]")];
  const AXIS = 54; // room that a panel's own axis takes beside its plot [px]

  // A title in as many lines as it needs at about 7.4 px a letter.
  const lines = (title, width) => {
    const made = [""];
    for (const word of String(title ?? "").split(" ")) {
      const longer = made.at(-1) ? `${made.at(-1)} ${word}` : word;
      if (longer.length * 7.4 <= Math.max(width, 200)) made[made.length - 1] = longer;
      else made.push(word);
    }
    return made;
  };

  const fitted = (spec, width) => {
    const copy = structuredClone(spec);
    const room = Math.max(200, width - AXIS);
    const panels = copy.vconcat ?? copy.concat ?? [copy];
    for (const panel of panels) {
      panel.width = Math.min(panel.width, room);
      panel.title = lines(panel.title, panel.width);
    }
    if (copy.concat) copy.columns = Math.max(1, Math.floor((width + 22) / (panels[0].width + AXIS + 22)));
    return copy;
  };

  const draw = async (figure) => {
    const canvas = figure.querySelector(".canvas");
    figure.view?.finalize();
    const made = await window.vegaEmbed(canvas, fitted(figure.spec, canvas.clientWidth), {
      actions: false,
      ast: true,
      config: figure.spec.usermeta.looks[look()],
      defaultStyle: false,
      tooltip: { disableDefaultStyle: true },
      renderer: "canvas",
    });
    figure.view = made.view;
    figure.drawnAt = canvas.clientWidth;
    offerRange(figure);
    figure.dataset.drawn = look();
  };

  // A range brushed on the timeline becomes a link to the page of that range.
  const offerRange = (figure) => {
    const link = document.querySelector("[data-range-link]");
    if (!link || figure.id !== "chart-timeline") return;
    figure.view.addSignalListener("chosen", (_, range) => {
      const span = range && Object.values(range)[0];
      link.hidden = !span;
      if (!span) return;
      const [from, to] = span.map((ms) => new Date(ms).toISOString().slice(0, 16));
      const address = new URL(window.location.href);
      address.searchParams.set("from", from);
      address.searchParams.set("to", to);
      address.hash = "timeline";
      link.href = address;
      link.textContent = `Show ${from.replace("T", " ")} to ${to.replace("T", " ")}`;
    });
  };

  const offerPicture = (figure, kind) => {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = `Save as ${kind.toUpperCase()}`;
    button.addEventListener("click", async () => {
      const link = document.createElement("a");
      link.href = await figure.view.toImageURL(kind, kind === "png" ? 2 : 1);
      link.download = `${figure.spec.usermeta.name}.${kind}`;
      link.click();
      if (link.href.startsWith("blob:")) setTimeout(() => URL.revokeObjectURL(link.href), 10000);
    });
    figure.querySelector(".tools")?.append(" ", button);
  };

  const load = async (figure) => {
    try {
      const answer = await fetch(figure.dataset.spec);
      if (!answer.ok) throw new Error(`the server answered ${answer.status}`);
      figure.spec = await answer.json();
      await draw(figure);
      offerPicture(figure, "png");
      offerPicture(figure, "svg");
    } catch (error) {
      const said = document.createElement("p");
      said.className = "soft";
      said.textContent = `The chart could not be drawn: ${error.message}. The text below says the same.`;
      figure.querySelector(".canvas").replaceWith(said);
      figure.dataset.drawn = "failed";
    }
  };

  const again = () => figures.filter((figure) => figure.spec).forEach(draw);
  document.addEventListener("page-theme", again);
  let waiting;
  window.addEventListener("resize", () => {
    clearTimeout(waiting);
    waiting = setTimeout(() => {
      figures.filter((f) => f.spec && f.querySelector(".canvas")?.clientWidth !== f.drawnAt).forEach(draw);
    }, 150);
  });
  const seen = new IntersectionObserver((entries) => {
    for (const entry of entries) {
      if (!entry.isIntersecting) continue;
      seen.unobserve(entry.target);
      load(entry.target);
    }
  }, { rootMargin: "400px" });
  figures.forEach((figure) => seen.observe(figure));
})();
