// Shows how far a job is while it goes on; the page does without.
const box = document.getElementById("live");
if (box) {
  const events = new EventSource(box.dataset.events);
  events.onmessage = (m) => {
    const now = JSON.parse(m.data);
    for (const part of box.querySelectorAll("[data-live]")) part.textContent = now[part.dataset.live] ?? "";
    if (now.over) { events.close(); location.reload(); }
  };
}
// Goes on from the setup once the daemon answers.
const wait = document.getElementById("wait");
if (wait) setTimeout(() => location.assign(wait.dataset.to), 700);
