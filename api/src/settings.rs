//! The operation's own settings.

use crate::problem::Body;
use crate::words::UnitSystemWord;
use crate::{Problem, ServiceState};
use axum::Json;
use axum::extract::State;
use larder_domain::units::UnitSystem;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use utoipa_axum::{router::OpenApiRouter, routes};

/// The operation's settings.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct SettingsBody {
    units: UnitSystemWord,
}

const UNITS: &str = "units";

pub(crate) fn router() -> OpenApiRouter<ServiceState> {
    OpenApiRouter::new().routes(routes!(get_settings, put_settings))
}

/// The settings.
#[utoipa::path(get, path = "/api/v1/settings", tag = "settings", responses((status = 200, body = SettingsBody)))]
async fn get_settings(State(service): State<ServiceState>) -> Result<Json<SettingsBody>, Problem> {
    let units = service.blocking(|s| Ok(s.records.setting(UNITS)?)).await?;
    let units = units.and_then(|word| UnitSystem::parse(&word).ok());
    Ok(Json(SettingsBody {
        units: units.unwrap_or_default().into(),
    }))
}

/// Sets the settings.
#[utoipa::path(put, path = "/api/v1/settings", tag = "settings", request_body = SettingsBody,
    responses((status = 200, body = SettingsBody)))]
async fn put_settings(
    State(service): State<ServiceState>,
    Body(settings): Body<SettingsBody>,
) -> Result<Json<SettingsBody>, Problem> {
    let value = settings.units.as_str();
    service
        .blocking(move |s| Ok(s.records.set_setting(UNITS, value)?))
        .await?;
    Ok(Json(settings))
}
