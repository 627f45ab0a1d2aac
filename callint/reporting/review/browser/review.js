// The start of the page.

for (const part of document.querySelectorAll(".unscripted")) part.remove();
signOff.load();
watchSections();
drawList();
drawBar();
drawFindings();
drawAcceptances();
const signing = drawSignOff();
signing.id = "~signing";
document.querySelector("main").append(signing);
listenToKeys();
listenToModes();
preparePrinting();
applyFilter();
for (const listener of signOff.listeners) listener();
followHistory();
followAddress(false);
document.documentElement.classList.add("ready");
