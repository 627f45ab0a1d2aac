// The end of the page: what is still open, the decision, the signature, and the review as text and as a file.

/** The largest number of open items of one kind that are listed. */
const mostListed = 20;

/** Whether a text is a day of the calendar, YYYY-MM-DD. */
function isDay(text) {
  const day = new Date(`${text}T00:00:00Z`);
  return /^\d{4}-\d\d-\d\d$/.test(text) && !Number.isNaN(day.getTime()) && day.toISOString().startsWith(text);
}

/** What prevents a signature, in sentences. */
function missing() {
  const sentences = [];
  const open = signOff.openErrors.length;
  if (signOff.decision === "open") sentences.push("Choose a decision.");
  if (signOff.decision === "agreed" && open) {
    sentences.push(`${openText()} Accept each one with a reason of ${shortestReason} characters or more, or ask for changes.`);
  }
  if (signOff.decision === "agreed" && foldedMistakes) {
    sentences.push(`${count(foldedMistakes, "more mistake")} cannot be listed here: settle or waive some, and write the page again.`);
  }
  const isOpen = ({ severity }) => signOff.decision === "agreed" && severity === "error"; // said above
  const short = points.filter((point) => signOff.accepted.has(point.key) && !signOff.isAccepted(point) && !isOpen(point));
  if (short.length) sentences.push(`${count(short.length, "accepted item")} without a reason of ${shortestReason} characters or more.`);
  const fields = ["name", "role"].filter((field) => !signOff[field].trim());
  if (fields.length) sentences.push(`Your ${fields.join(" and ")} ${fields.length === 1 ? "is" : "are"} missing.`);
  if (!isDay(signOff.day)) sentences.push("The date is not a day; write YYYY-MM-DD.");
  return sentences;
}

/** A list of links to open items; nothing if there are none. */
function drawOpen(title, items) {
  if (!items.length) return [];
  const links = items.slice(0, mostListed).map(({ text, show }) => make("li", {}, make("button", {
    type: "button", class: "link", onclick: show,
  }, text)));
  const more = items.length - mostListed;
  return [make("h3", {}, `${title}: ${items.length.toLocaleString("en")}`),
    make("ul", {}, ...links, more > 0 ? make("li", {}, `and ${count(more, "more")}`.replace("mores", "more")) : undefined)];
}

/** Everything that is open, the most dangerous first. */
function drawOpenItems() {
  const errors = signOff.openErrors.map((point) => ({
    text: [point.danger && `${point.danger[0].toUpperCase()}${point.danger.slice(1)}`,
      (hasSeveralImages || point.image === undefined) && pathOf(point), point.title].filter(Boolean).join(": "),
    show: point.show,
  }));
  const unread = signOff.unreadTables.map((table) => ({
    text: hasSeveralImages ? `${table.image.path}: ${table.title}` : table.title,
    show: () => {
      if (table.section.article.hidden) clearFilter();
      table.section.show();
    },
  }));
  const parts = signOff.unreadParts.map(({ title }) => title);
  const open = [...drawOpen("Open errors", errors), ...drawOpen("Unread tables", unread),
    ...(parts.length ? [make("h3", {}, `Unread bytes and checksums: ${parts.length.toLocaleString("en")}`)] : [])];
  return open.length ? open : [make("p", {}, "Everything was read, and no error is open.")];
}

/** A labelled field of the person who signs. */
function drawPersonField(field, text, attributes) {
  const input = make("input", {
    maxlength: 200, autocomplete: "off", ...attributes,
    oninput: () => {
      signOff[field] = input.value;
      signOff.save();
    },
  });
  const show = () => {
    input.value = field === "date" ? signOff.day : signOff[field];
  };
  signOff.controls.push(show);
  show();
  return make("label", {}, make("span", {}, text), input);
}

function drawDecision() {
  const inputs = Object.keys(decisions).map((value) => make("input", {
    type: "radio", name: "~decision", value,
    onchange: () => {
      signOff.decision = value;
      signOff.save();
    },
  }));
  const show = () => {
    for (const input of inputs) input.checked = input.value === signOff.decision;
  };
  signOff.controls.push(show);
  show();
  return make("fieldset", {}, make("legend", {}, "Decision"),
    ...inputs.map((input) => make("label", {}, input, ` ${decisions[input.value]}`)));
}

/** The button that signs; it says what it signs. */
function drawSignButton(say) {
  const button = make("button", {
    type: "button", class: "sign",
    onclick: () => {
      const sentences = missing();
      if (sentences.length) {
        say(`Not signed. ${sentences.join(" ")}`);
        return;
      }
      signOff.sign();
      const hasWaivers = signOff.accepted.size && signOff.decision === "agreed";
      say(`Signed. Copy it, or save it as a file${hasWaivers ? ": callint waive --from-review makes waivers of it" : ""}.`);
    },
  });
  signOff.listeners.push(() => {
    const unread = signOff.unreadText ? `, with ${signOff.unreadText}` : "";
    button.textContent = signOff.decision === "open" ? "Sign" : `Sign: ${decisions[signOff.decision].toLowerCase()}${unread}`;
  });
  return button;
}

/** Who signed what; on paper without a signature, a line for one. */
function drawSignature() {
  const signature = make("p", { class: "signature" });
  signOff.listeners.push(() => {
    const { signed, name, role, date, decision, unreadText } = signOff;
    signature.classList.toggle("signed", signed);
    const unread = unreadText ? `, with ${unreadText}` : "";
    signature.textContent = signed ? `${decisions[decision]} by ${name}, ${role}, on ${date}${unread}.` : "Reviewed by, on:";
  });
  return signature;
}

/** The buttons that give the review away and take it back. */
function drawExchange(say, text) {
  const chooser = make("input", {
    type: "file", accept: ".json,application/json", hidden: true, "aria-label": "A saved sign-off",
    onchange: () => {
      const [file] = chooser.files;
      chooser.value = "";
      if (file) readFile(file, say);
    },
  });
  return make("div", { class: "exchange" },
    make("button", { type: "button", class: "copy", onclick: () => copyReview(text, say) }, "Copy review"),
    make("button", {
      type: "button", class: "save",
      onclick: () => {
        saveFile();
        say(signOff.signed ? "The file has your signature." : `The file is not signed. ${missing().join(" ")}`);
      },
    }, "Save as a file"),
    make("button", { type: "button", class: "load", onclick: () => chooser.click() }, "Read a saved file"), chooser);
}

/** The end of the page. */
function drawSignOff() {
  const heading = make("h2", { id: uniqueId("signing") }, "Signing off");
  const closingId = uniqueId("closing");
  const closing = drawField(() => signOff.closing, (text) => {
    signOff.closing = text;
  }, { id: closingId, rows: 3, maxlength: 8000, class: "closing" });
  const progress = make("p", { class: "progress" });
  const open = make("div", { class: "open" });
  const status = make("p", { class: "status", role: "status" });
  const say = (...content) => status.replaceChildren(...content);
  const text = make("textarea", { class: "markdown", readonly: true, rows: 10, "aria-label": "The review as Markdown", hidden: true });
  const storageNote = make("p", { class: "kept" });
  signOff.listeners.push(() => {
    progress.textContent = `${signOff.progress}. ${openText()}`;
    open.replaceChildren(...drawOpenItems());
    storageNote.textContent = signOff.isStored ? "What you tick and write stays in this browser; the page sends nothing."
      : "This browser keeps nothing for this page: what you tick and write is gone when it is closed. Save it as a file first.";
    if (!signOff.wasSigned) return;
    signOff.wasSigned = false;
    say("This changed after it was signed. Sign it again.");
  });
  const ticks = otherParts.map(({ title, key }) => drawTick(title, "parts", key));
  const parts = ticks.length ? make("fieldset", { class: "parts" }, make("legend", {}, "Read, beside the tables"), ...ticks) : undefined;
  return make("section", { class: "signoff", "aria-labelledby": heading.id }, heading, progress, parts, open,
    drawDecision(), make("label", { for: closingId }, "Closing remark"), closing.area, closing.printed,
    make("div", { class: "person" }, drawPersonField("name", "Name, as git knows it", { class: "name" }),
      drawPersonField("role", "Role", { class: "role" }), drawPersonField("date", "Date, YYYY-MM-DD", { class: "date" })),
    make("p", { class: "not-an-approval" }, notAnApproval),
    drawSignButton(say), drawSignature(), drawExchange(say, text), status, text, storageNote);
}

async function copyReview(text, say) {
  text.value = reviewMarkdown();
  const signed = signOff.signed ? "" : ` It is not signed. ${missing().join(" ")}`.trimEnd();
  try {
    await navigator.clipboard.writeText(text.value);
    text.hidden = true;
    say(`Copied as Markdown.${signed}`);
  } catch {
    text.hidden = false;
    text.focus();
    text.select();
    say(`This browser does not let a page copy: the text below is selected, copy it by hand.${signed}`);
  }
}
