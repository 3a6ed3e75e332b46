// The summary in words: what is whole and what is missing, for the terminal and the head of the page.
import { fileStates } from './file-state.js';
import type { Report } from './model.js';
import { count, counted, perCent } from './quantity.js';

/** Sentences, the most important first. Station names in them are as given: the caller makes them harmless. */
export function summaryWords({ coverage }: Report): string[] {
  const { totals, stations, recordings, files } = coverage;
  const incomplete = files.filter((file) => file.segments.missing.length > 0).length;
  const sentences = [
    fileSentence(totals.files),
    totals.segments.missing === 0
      ? files.length === 0
        ? 'Nothing is known to be missing.'
        : `No segment is missing: all ${count(totals.segments.total)} arrived.`
      : `Missing: ${count(totals.segments.missing)} of ${counted(totals.segments.total, 'segment')}, ` +
        `in ${counted(incomplete, 'file')}; ${perCent(totals.segments.received, totals.segments.total)} arrived.`,
    `${counted(stations.length, 'station')} handed in ${counted(recordings.length, 'recording')} ` +
      `with ${counted(totals.frames.read, 'frame')}: ${count(totals.frames.intact)} intact, ${count(totals.frames.damaged)} damaged.`,
  ];
  const alone = stations.filter((station) => station.segments.onlyHere > 0);
  if (stations.length > 1 && alone.length > 0) {
    sentences.push(
      `Held by one station only: ${alone.map(({ name, segments }) => `${name} ${count(segments.onlyHere)}`).join(', ')} segments.`,
    );
  }
  const broken = recordings.filter((recording) => recording.problems.length > 0).length;
  if (broken > 0) sentences.push(`${counted(broken, 'recording')} could not be read without problems.`);
  return sentences;
}

function fileSentence(states: Report['coverage']['totals']['files']): string {
  const total = states.whole + states.unproven + states.partial + states.disputed;
  if (total === 0) return 'No file is known yet.';
  if (states.whole === total) return total === 1 ? 'The only file is whole.' : `All ${count(total)} files are whole.`;
  const parts = [...fileStates]
    .reverse()
    .filter((state) => state === 'whole' || states[state] > 0)
    .map(
      (state) =>
        `${state === 'whole' && states.whole === 0 ? 'none' : count(states[state])} ${states[state] > 1 ? 'are' : 'is'} ${state}`,
    );
  const last = parts.pop();
  return `Of ${counted(total, 'file')}, ${parts.length > 0 ? `${parts.join(', ')} and ` : ''}${last}.`;
}
