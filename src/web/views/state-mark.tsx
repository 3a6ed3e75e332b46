// The state of a file: sign, word and colour, so that none of them has to tell it alone.
import type { JSX } from 'preact';
import { fileStates, stateMeaning, stateSign } from '../../report/file-state.js';
import type { FileState, PageDocument } from '../../report/page-document.js';
import { count } from '../../report/quantity.js';

export function StateMark({ state }: { readonly state: FileState }): JSX.Element {
  return (
    <span class={`state ${state}`}>
      <span aria-hidden="true">{stateSign[state]}</span> {state}
    </span>
  );
}

/** What the states mean, and how many files are in each. */
export function StateLegend({ document }: { readonly document: PageDocument }): JSX.Element {
  return (
    <dl class="legend states">
      {[...fileStates].reverse().map((state) => (
        <div key={state}>
          <dt>
            <StateMark state={state} />
          </dt>{' '}
          <dd>
            {stateMeaning[state]} Here: {count(document.totals.files[state])}.
          </dd>
        </div>
      ))}
    </dl>
  );
}
