/** The pages and parts that the first picture does without, in one piece. */
export { AboutHive } from "./about-hive";
export { AboutYard } from "./about-yard";
export { DevicesPage } from "./devices";
export { FillPage } from "./fill";
export { MixPage } from "./mix";
export { OutboxPage } from "./outbox";
export { PeoplePage } from "./people";
export { QuarantinePage } from "./quarantine";
export { SettingsPage } from "./settings";
export { SetUpPage } from "./set-up";
