// Both versions as one: a line shows on each waveform where it plays, a click on one plays
// from there, and starting one stops the other at the same place. Without this the players
// work by themselves.
const all = [...document.querySelectorAll(".heard")].flatMap((figure) => {
  const wave = figure.querySelector(".wave"), audio = figure.querySelector("audio")
  return wave && audio ? [{ figure, wave, audio }] : []
})
const span = (figure) => {
  const [from, to] = [...figure.querySelectorAll(".wavetimes span")].map((x) => x.textContent.split(":").reduce((sum, p) => sum * 60 + Number(p), 0))
  return to - from
}
for (const me of all) {
  const line = document.createElement("span")
  line.className = "playline"
  line.hidden = true
  const box = document.createElement("span")
  box.className = "wavebox"
  me.wave.replaceWith(box)
  box.append(me.wave, line)
  const show = () => {
    const at = me.audio.currentTime / span(me.figure)
    line.hidden = !(at > 0 && at <= 1)
    line.style.setProperty("left", `${100 * at}%`)
  }
  for (const event of ["timeupdate", "seeked", "play", "pause"]) me.audio.addEventListener(event, show)
  me.audio.addEventListener("play", () => {
    for (const other of all) {
      if (other === me || other.audio.paused) continue
      me.audio.currentTime = other.audio.currentTime
      other.audio.pause()
    }
  })
  box.addEventListener("click", (e) => {
    const r = box.getBoundingClientRect()
    me.audio.currentTime = ((e.clientX - r.left) / r.width) * span(me.figure)
    me.audio.play()
  })
}
