// Which events of a phrase are due: read ahead on the audio clock, a little at a time.

// events: [{time_s, ...}] in rising order. `start` is when the phrase begins, on the audio clock.
export function makeSchedule(events, lengthS, start) {
  const schedule = { start, next: 0 };
  const timeOf = event => schedule.start + event.time_s;
  schedule.takeUntil = time => {       // [[event, when], ...] that begin before `time`, each once
    const due = [];
    while (schedule.next < events.length && timeOf(events[schedule.next]) < time) {
      const event = events[schedule.next++];
      due.push([event, timeOf(event)]);
    }
    return due;
  };
  schedule.isRead = () => schedule.next >= events.length;
  schedule.end = () => schedule.start + lengthS;
  schedule.repeat = () => {            // begin again where the phrase ends
    schedule.start = schedule.end();
    schedule.next = 0;
  };
  return schedule;
}
