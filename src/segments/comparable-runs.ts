// What the placement of transmissions needs to know of a file delivery's runs besides what they say. Where each file has its own length
// of segments, a run of one segment does not show it, since the last of a file is shorter: what was learned of the same file
// elsewhere stands in. And after a reboot the same numbers may stand for other contents: the lane tells.
import type { HeardRecording } from './passage.js';
import { DIRECTIVES } from './run.js';

/** The recordings with their runs made comparable; nothing that is given changes. */
export function comparableRuns<Recording extends HeardRecording>(recordings: Iterable<Recording>): Recording[] {
  const all = [...recordings];
  const longest = new Map<number, number>();
  for (const { runs } of all) {
    for (const { file, segments, step } of runs) {
      if (segments !== DIRECTIVES) longest.set(file, Math.max(longest.get(file) ?? 0, step));
    }
  }
  return all.map((recording) => ({
    ...recording,
    runs: recording.runs.map((run) => {
      const isSteady = run.count > 1 || run.segments === DIRECTIVES;
      return { ...run, instance: run.lane, step: isSteady ? run.step : longest.get(run.file)! };
    }),
  }));
}
