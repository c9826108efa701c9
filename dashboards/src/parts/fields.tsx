import type { ComponentChildren } from "preact";
import { useId, useState } from "preact/hooks";
import { units } from "../data/prefs";
import { useSignal } from "../data/signal";
import { shown, stored, unitOf, type Quantity } from "../units/units";

interface FieldProps {
  label: string;
  hint?: string;
  error?: string | null;
  children: (id: string, describedBy: string | undefined) => ComponentChildren;
}

export function Field({ label, hint, error = null, children }: FieldProps) {
  const id = useId();
  const described = hint !== undefined || error !== null ? `${id}-more` : undefined;
  return (
    <div class={`field ${error === null ? "" : "field-wrong"}`}>
      <label for={id}>{label}</label>
      {children(id, described)}
      {described !== undefined && (
        <p class="hint" id={described}>
          {error ?? hint}
        </p>
      )}
    </div>
  );
}

interface TextProps {
  label: string;
  value: string;
  onInput: (value: string) => void;
  hint?: string;
  error?: string | null;
  required?: boolean;
  type?: "text" | "date" | "datetime-local";
}

export function TextField({ label, value, onInput, hint, error = null, required = false, type = "text" }: TextProps) {
  return (
    <Field label={label} error={error} {...(hint === undefined ? {} : { hint })}>
      {(id, described) => {
        const shared = {
          id,
          value,
          required,
          "aria-describedby": described,
          "aria-invalid": error !== null,
          autocomplete: "off" as const,
          onInput: (event: { currentTarget: HTMLInputElement }) => onInput(event.currentTarget.value),
        };
        return type === "text" ? <input type="text" {...shared} /> : <input type={type} {...shared} />;
      }}
    </Field>
  );
}

interface NumberProps {
  label: string;
  quantity: Quantity;
  /** In the API's unit; null is not given. */
  value: number | null;
  onChange: (value: number | null) => void;
  hint?: string;
  error?: string | null;
}

/** A number in the keeper's units. What is typed stays as typed until the field is left. */
export function NumberField({ label, quantity, value, onChange, hint, error = null }: NumberProps) {
  const system = useSignal(units);
  const written = value === null ? "" : String(Number(shown(value, quantity, system).toFixed(3)));
  const [typing, setTyping] = useState<string | null>(null);
  return (
    <Field label={`${label}, ${unitOf(quantity, system)}`} error={error} {...(hint === undefined ? {} : { hint })}>
      {(id, described) => (
        <input
          id={id}
          inputMode="decimal"
          value={typing ?? written}
          aria-describedby={described}
          aria-invalid={error !== null}
          autocomplete="off"
          onInput={(event) => {
            setTyping(event.currentTarget.value);
            const number = Number(event.currentTarget.value.replace(",", "."));
            const blank = event.currentTarget.value.trim() === "";
            onChange(blank || !Number.isFinite(number) ? null : stored(number, quantity, system));
          }}
          onBlur={() => setTyping(null)}
        />
      )}
    </Field>
  );
}

interface ChoiceProps<T extends string> {
  label: string;
  value: T | null;
  choices: { value: T; words: string; picture?: ComponentChildren }[];
  onChoose: (value: T) => void;
}

/** A few choices side by side, as large as a thumb. */
export function Choice<T extends string>({ label, value, choices, onChoose }: ChoiceProps<T>) {
  const name = useId();
  return (
    <fieldset class="choice">
      <legend>{label}</legend>
      <div class="choice-row">
        {choices.map((choice) => (
          <label key={choice.value} class="choice-one">
            <input type="radio" name={name} checked={choice.value === value} onChange={() => onChoose(choice.value)} />
            {choice.picture}
            <span>{choice.words}</span>
          </label>
        ))}
      </div>
    </fieldset>
  );
}

interface TicksProps<T extends string> {
  label: string;
  hint: string;
  choices: { value: T; words: string }[];
  ticked: T[];
  onChange: (ticked: T[]) => void;
}

/** Any of some, in the order of the choices. */
export function Ticks<T extends string>({ label, hint, choices, ticked, onChange }: TicksProps<T>) {
  const tick = (value: T, on: boolean) =>
    onChange(choices.map((choice) => choice.value).filter((each) => (each === value ? on : ticked.includes(each))));
  return (
    <fieldset class="choice">
      <legend>{label}</legend>
      <p class="hint">{hint}</p>
      <div class="tick-grid">
        {choices.map(({ value, words }) => (
          <label key={value} class="check">
            <input type="checkbox" checked={ticked.includes(value)} onChange={(event) => tick(value, event.currentTarget.checked)} />
            <span>{words}</span>
          </label>
        ))}
      </div>
    </fieldset>
  );
}
